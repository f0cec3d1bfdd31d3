"""The small problem of `scripts/calibrate`: a truth drawn from a fit's own prior, and counts drawn from it.

Three lines, four layers, closed-form light without an error of its own; counts scatter as Poisson's law says,
and the fit is told so. Everything here is invented.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Flashes, Modules, Settings, Verdicts
from iceopt.campaign.settings import bins_of
from iceopt.fit.config import FitConfig
from iceopt.fit.correction import Corrected
from iceopt.fit.likelihood import ERROR_NAMES, Likelihood
from iceopt.fit.observations import Observations
from iceopt.fit.priors import LayerPrior
from iceopt.fit.problem import Light, Problem, error_model_of
from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.counts import expected_counts
from iceopt.light.model import Scene
from iceopt.light.tracking.tables import henyey_greenstein
from iceopt.simulate.draw import draw_campaign
from iceopt.simulate.scenario import Scenario

Array = NDArray[np.float64]

EDGES_M = (1490.0, 1520.0, 1550.0, 1580.0, 1610.0)
WATCHED_MODULES = (1, 6, 11)
"""Whose nuisances are ranked: one in the upper half of each line."""

CONFIG = FitConfig.model_validate(
    {
        "layers": {"edges_m": EDGES_M},
        "data": {"least_counts": 0.0},
        "error": {
            "pair": {"median": 0.05, "spread": 0.4},
            "growth": {"mean": 0.0, "sd": 0.3},
            "profile": {"median": 0.05, "spread": 0.4},
            "own_line": 0.0,
            "dispersion": False,
        },
        "prior": {
            "level": {"scattering_length_m": {"median": 20.0, "spread": 0.3}},
            "smoothness": {
                "length_m": {"median": 40.0, "spread": 0.3},
                "scattering_size": {"median": 0.25, "spread": 0.3},
            },
            "dust": {
                "slope": {"mean": 0.9, "sd": 0.2},
                "absorption_at_25_m": {"median": 100.0, "spread": 0.3},
                "scatter": {"median": 0.15, "spread": 0.3},
            },
        },
    }
)


class ExactClosedForm(ClosedForm):
    """Closed form that claims no error of its own: the counts are drawn from it."""

    def model_error(self, ice: Ice, expected: Array) -> Array:
        """Zero, shape (pair, bin)."""
        return np.zeros_like(expected)


def exact(config: FitConfig, scene: Scene) -> Light:
    """Light models of a fit: the closed form in every part."""
    model = ExactClosedForm(scene)
    return Light(lambda ice: model, model, False)


def empty_campaign() -> Campaign:
    """Three lines of five modules, no two at one depth, every other flashing; no counts yet."""
    settings = Settings(
        site="Skarv Dome", season="invented", wavelength_nm=405.0, group_index=1.337,
        scattering_anisotropy=0.9, emitter_pattern="isotropic", elevation_deg=0.0, elevation_spread_deg=0.0,
        brightness_spread=0.2, effective_area_m2=0.003, acceptance_slope=0.6, efficiency_spread=0.1,
        dark_rate_hz=2e4, linear_up_to_per_pulse_ns=1e9, timing_spread_ns=3.0, bin_ns=25.0, start_ns=-500.0,
        stop_ns=2000.0,
    )  # fmt: skip
    xy = [(0.0, 0.0), (71.0, 4.0), (-9.0, 85.0)]
    modules = Modules(
        name=tuple(f"L{line}-{slot:02d}" for line in (1, 2, 3) for slot in range(1, 6)),
        line=tuple(f"L{line}" for line in (1, 2, 3) for _ in range(5)),
        slot=np.tile(np.arange(1, 6), 3),
        position_m=np.array(
            [(*place, 1498.0 + 7.0 * k + 22.0 * slot) for k, place in enumerate(xy) for slot in range(5)]
        ),
        relative_efficiency=np.ones(15),
        alive=np.ones(15, dtype=bool),
    )
    emitter = np.arange(0, 15, 2)
    flashes = Flashes(
        run=tuple(f"R{k + 1:02d}" for k in range(emitter.size)),
        emitter=emitter,
        photons_per_pulse=np.full(emitter.size, 1e9),
        pulses=np.full(emitter.size, 200),
        readout_top_m=np.zeros(emitter.size),
        readout_bottom_m=np.full(emitter.size, 1e4),
        azimuth_deg=np.full(emitter.size, np.nan),
    )
    run, module = np.nonzero(np.arange(15) != emitter[:, None])
    return Campaign(
        settings, modules, flashes, run, module, np.zeros((run.size, bins_of(settings)), np.int32)
    )


def verdicts_of(campaign: Campaign) -> Verdicts:
    """Every bin after the flash is usable."""
    usable = np.broadcast_to(campaign.bin_edges_ns[:-1] >= 0, campaign.counts.shape)
    ok = ("ok",)
    return Verdicts((), ok * len(campaign.modules.name), ok * len(campaign.flashes.run), usable)


@dataclass(frozen=True)
class Drawn:
    """A campaign, and the ranked quantities of its truth in the order of `names_of`."""

    campaign: Campaign
    truth: Array


def names_of(layers: int) -> list[str]:
    """Names of the ranked quantities."""
    prior = LayerPrior(CONFIG.prior, np.zeros(layers)).hyperparameters
    return [
        *(f"ln le {i + 1}" for i in range(layers)),
        *(f"ln la {i + 1}" for i in range(layers)),
        *(p.name for p in prior),
        *ERROR_NAMES,
        *(f"ln efficiency {i + 1}" for i in range(len(WATCHED_MODULES))),
        *(f"clock offset {i + 1}" for i in range(len(WATCHED_MODULES))),
        *(f"ln dark rate {i + 1}" for i in range(len(WATCHED_MODULES))),
        "ln brightness 1",
    ]


def ranked(corrected: Corrected, dark_per_ns: Array) -> Array:
    """Draws of the ranked quantities, shape (chain, draw, quantity)."""
    own, chosen = corrected.nuisances[0], list(WATCHED_MODULES)
    dark = own.log_dark[:, :, chosen] + np.log(dark_per_ns[chosen] * 1e9)
    columns = (corrected.draws, own.log_efficiency[:, :, chosen], own.offset_ns[:, :, chosen], dark)
    return np.concatenate([*columns, own.log_brightness[:, :, :1]], axis=2)


def draw(seed: int) -> Drawn:
    """Draw a truth from the prior and counts from the truth; what fits marginalise is drawn as well."""
    rng = np.random.default_rng([seed, 1804])
    campaign, nuisances = empty_campaign(), CONFIG.nuisances
    settings, modules = campaign.settings, len(campaign.modules.name)
    vector, ice, errors = draw_ice(rng)

    efficiency = settings.efficiency_spread * rng.standard_normal(modules)
    offset = settings.timing_spread_ns * rng.standard_normal(modules)
    brightness = nuisances.scale_spread * rng.standard_normal()
    brightness = brightness + settings.brightness_spread * rng.standard_normal(len(campaign.flashes.run))
    level = settings.dark_rate_hz * _gamma(nuisances.dark_level_spread, 1, rng)
    dark_hz = level * _gamma(nuisances.dark_spread, modules, rng)

    problem = Problem([(campaign, verdicts_of(campaign))], CONFIG, exact)
    seen = problem.parts[0].observations
    signal = problem.parts[0].light.first.expected(ice)
    error = _draw_errors(seen, signal, errors, rng)
    run, module = campaign.pair_run, campaign.pair_module
    light = expected_counts(
        signal, (brightness[run] + efficiency[module]), offset[module], np.zeros(run.size), settings.bin_ns
    )
    pulses = campaign.flashes.pulses[run]
    mean = light * error + (pulses * dark_hz[module] * 1e-9 * settings.bin_ns)[:, None]
    counts = rng.poisson(mean).astype(np.int32)
    watched = list(WATCHED_MODULES)
    truth = np.concatenate(
        [vector, efficiency[watched], offset[watched], np.log(dark_hz[watched]), brightness[:1]]
    )
    return Drawn(replace(campaign, counts=counts), truth)


def track(seed: int, photons: int) -> tuple[Campaign, Ice, float]:
    """Campaign whose light is tracked, its ice, drawn from the prior, and the median error of its charges."""
    ice = draw_ice(np.random.default_rng([seed, 1804]))[1]
    empty = empty_campaign()
    phase = henyey_greenstein(empty.settings.scattering_anisotropy)
    scenario = Scenario(
        seed, empty.settings, ice, phase, empty.modules, empty.flashes, photons, "cpu", (), {}, {}, {}
    )
    campaign, truth = draw_campaign(scenario)
    return campaign, ice, float(np.median(truth.signal_error))


def draw_ice(rng: np.random.Generator) -> tuple[Array, Ice, Array]:
    """Vector of the posterior's parameters drawn from their prior, its ice, and its sizes of errors."""
    edges = np.array(EDGES_M)
    prior = LayerPrior(CONFIG.prior, 0.5 * (edges[1:] + edges[:-1]))
    own = np.array([p.mean + p.sd * rng.standard_normal() for p in prior.hyperparameters])
    layers = edges.size - 1
    precision = prior.precision(own)
    slope = np.concatenate(prior.evaluate(np.zeros(layers), np.zeros(layers), own)[1:3])
    mean = np.linalg.solve(precision, slope)  # the log density is quadratic in the layers
    root = np.linalg.cholesky(np.linalg.inv(precision))
    lengths = mean + root @ rng.standard_normal(2 * layers)
    error = CONFIG.error
    errors = np.array(
        [
            np.log(error.pair.median) + error.pair.spread * rng.standard_normal(),
            error.growth.mean + error.growth.sd * rng.standard_normal(),
            np.log(error.profile.median) + error.profile.spread * rng.standard_normal(),
        ]
    )
    ice = Ice(edges, np.exp(lengths[:layers]), np.exp(lengths[layers:]))
    return np.concatenate([lengths, own, errors]), ice, errors


def _draw_errors(seen: Observations, signal: Array, sizes: Array, rng: np.random.Generator) -> Array:
    """Factors by which the light departs from its model, shape (pair, bin); 1 outside of the groups."""
    likelihood = Likelihood(seen, error_model_of(CONFIG), signal, np.zeros_like(signal))
    size, pair_size = likelihood.sizes(sizes)
    charge = pair_size * _hyperbolic(float(CONFIG.error.tail_begins), len(signal), rng)
    factor = np.ones_like(signal)
    for p in range(len(signal)):
        value = rng.standard_normal()
        for g in range(seen.groups[p]):
            if g:
                keep = likelihood.correlation[p, g - 1]
                value = keep * value + np.sqrt(1.0 - keep**2) * rng.standard_normal()
            factor[p, seen.first[p, g] : seen.stop[p, g]] = np.exp(charge[p] + size[p, g] * value)
    return factor


def _hyperbolic(begins: float, size: int, rng: np.random.Generator) -> Array:
    """Draw from the density exp(-d sqrt(d^2 + x^2)), the symmetric hyperbolic one."""
    drawn = scipy.stats.genhyperbolic(1.0, begins**2, 0.0, 0.0, begins).rvs(size, random_state=rng)
    return np.asarray(drawn)


def _gamma(spread: float, size: int, rng: np.random.Generator) -> Array:
    """Gamma distribution of mean 1 and a spread."""
    return rng.gamma(spread**-2.0, spread**2, size)
