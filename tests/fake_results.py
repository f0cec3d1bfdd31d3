"""Result files with invented draws, of any number of layers: what a large fit writes, without the fit.

The layers' posterior covariance is that of their prior's precision plus a precision that "counts" give to all
layers within reach, so what is drawn, its Laplace approximation and the configuration agree.
"""

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from iceopt.fit.config import FitConfig
from iceopt.fit.convergence import diagnose
from iceopt.fit.priors import DUST_REFERENCE_M, LayerPrior
from iceopt.hdf5 import sealed
from iceopt.result.schema import NAME, VERSION

Array = NDArray[np.float64]

FINDINGS = (
    ("module", "L1-02", "silent", "sees 0 of the light usual at its depth"),
    ("module", "L2-05", "mistimed", "sees light 129 ns earlier than the modules around it"),
    ("run", "R03", "weak", "fired at 0.16 of the brightness usual at its depth"),
    ("pair", "R01 L3-07", "far", "less light expected than the dark noise lets see"),
)


@dataclass(frozen=True)
class Fake:
    """What to invent."""

    layers: int = 8
    top_m: float = 1700.0
    thickness_m: float = 10.0
    unseen: int = 0
    """Lowest layers that no module reaches."""
    stuck: tuple[int, ...] = ()
    """Layers whose scattering differs from chain to chain."""
    chains: int = 4
    draws: int = 500
    lines: int = 7
    modules_per_line: int = 8
    runs: int = 12
    bins: int = 60
    site: str = "Skarv Dome"
    season: str = "2031"
    converged: bool = True
    light_model_error: float = 0.02
    verdict: str = "converged: 5000 steps are 60 autocorrelation times"
    prefix: str = "L"
    """Of the names of lines and modules."""
    change: float = 0.0
    """Added to ln scattering length in the middle third."""
    relative_error: float = 0.02
    attitude: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    seed: int = 1


def write_fake(path: Path, fake: Fake) -> None:
    """Write a result file of invented numbers."""
    rng = np.random.default_rng(fake.seed)
    groups = {"constant_data": _constant(fake, rng)}
    groups |= _posterior(fake, rng)
    groups |= _observed(fake, groups["constant_data"], rng)
    with h5py.File(path, "w") as file:
        file.attrs.update(_attributes(fake))
        for name, variables in groups.items():
            for key, value in variables.items():
                array = np.asarray(value)
                is_text = array.dtype.kind in "OU"
                file.create_dataset(
                    f"{name}/{key}", data=array.astype(object) if is_text else array,
                    dtype=h5py.string_dtype() if is_text else array.dtype,
                )  # fmt: skip
    path.write_bytes(sealed(path.read_bytes()))


def _attributes(fake: Fake) -> dict[str, object]:
    return {
        "schema": NAME, "schema_version": VERSION, "created_at": "2040-01-02T03:24:05+00:00",
        "inference_library": "iceopt", "converged": int(fake.converged),
        "verdict": fake.verdict, "light_model": "layered P3", "light_model_error": fake.light_model_error,
        "fitted_pair_error": 0.015, "attitude": np.array(fake.attitude), "attitude_sd": np.zeros(4),
        "site": fake.site, "season": fake.season, "wavelength_nm": 405.0,
        "input_sha256": '{"sample": {"counts.csv": "%s"}}' % ("ab" * 32),
        "configuration": FitConfig().model_dump_json(), "versions": '{"iceopt": "0.1.0", "numpy": "2.4.6"}',
        "seed": fake.seed, "command_line": "iceopt fit sample -o result.h5",
        "started_at": "2040-01-02T03:04:05+00:00", "duration_s": 1200.0,
        "light_renewal_moves": np.array([0.8, 0.05]), "sampler": "ensemble", "sampler_steps": 5000,
        "autocorrelation_time": 83.0, "acceptance": 0.24, "correction_efficiency": 0.7, "pareto_k": 0.2,
        "worst_rhat": 1.004, "least_ess": 812.0,
    }  # fmt: skip


def _constant(fake: Fake, rng: np.random.Generator) -> dict[str, object]:
    edges = fake.top_m + fake.thickness_m * np.arange(fake.layers + 1)
    bottom = edges[-1 - fake.unseen]
    line = np.repeat([f"{fake.prefix}{k + 1}" for k in range(fake.lines)], fake.modules_per_line)
    names = [f"{name}-{k % fake.modules_per_line + 1:02d}" for k, name in enumerate(line)]
    depth = np.tile(np.linspace(edges[0], bottom, fake.modules_per_line), fake.lines)
    angle = np.repeat(np.arange(fake.lines), fake.modules_per_line) * 2.4
    state = np.full(len(names), "ok", dtype=object)
    state[1], state[fake.modules_per_line + 4] = "silent", "mistimed"
    run_state = ["weak" if k == 2 else "ok" for k in range(fake.runs)]
    fitted = np.flatnonzero(state == "ok")
    runs = np.array([k for k in range(fake.runs) if k != 2])
    pair_run, pair_module = (a.ravel() for a in np.meshgrid(runs, fitted, indexing="ij"))
    bins = 25.0 * np.arange(fake.bins + 1) - 100.0
    kind, name, states, reason = zip(*FINDINGS, strict=True)
    return {
        "layer_top": edges[:-1], "layer_bottom": edges[1:], "data_depth": np.array([edges[0], bottom]),
        "bin_start": bins[:-1], "bin_stop": bins[1:], "site_module": names, "line": line,
        "x": 100 * np.sqrt(angle) * np.cos(angle), "y": 100 * np.sqrt(angle) * np.sin(angle), "depth": depth,
        "module_state": state, "campaign_run": [f"R{k + 1:02d}" for k in range(fake.runs)],
        "emitter": rng.choice(fitted, fake.runs), "run_state": run_state,
        "pair_run": pair_run, "pair_module": pair_module, "distance": rng.uniform(60, 200, pair_run.size),
        "dispersion": np.where(np.arange(pair_run.size) % 3, 1.0, 1.4),
        "finding_kind": kind, "finding_name": name, "finding_state": states, "finding_reason": reason,
    }  # fmt: skip


def _posterior(fake: Fake, rng: np.random.Generator) -> dict[str, dict[str, object]]:
    n = fake.layers
    middle_m = fake.top_m + fake.thickness_m * (np.arange(n) + 0.5)
    prior = LayerPrior(FitConfig().prior, middle_m)
    hyper = np.array([p.mean for p in prior.hyperparameters])
    value = dict(zip([p.name for p in prior.hyperparameters], hyper, strict=True))

    def slope(x: Array) -> Array:
        return np.concatenate(prior.evaluate(x[:n], x[n:], hyper)[1:3])

    origin = slope(np.zeros(2 * n))
    precision = origin[:, None] - np.array([slope(step) for step in np.eye(2 * n)]).T
    seen = np.arange(n) < n - fake.unseen
    counts = np.tile(np.where(seen, fake.relative_error**-2.0, 0.0), 2)
    covariance = np.linalg.inv(precision + np.diag(counts))
    wave = np.log(25.0) + 0.35 * np.sin(middle_m / 37.0) - 0.8 * np.exp(-(((middle_m - 1750.0) / 12.0) ** 2))
    wave[n // 3 : 2 * n // 3] += fake.change
    dust = value["ln_dust_absorption"] + value["dust_slope"] * (wave - np.log(DUST_REFERENCE_M))
    truth = np.concatenate([wave, dust])
    # The counts pull towards the truth, the prior towards itself.
    mean = covariance @ (counts * truth + origin)
    drawn = rng.multivariate_normal(mean, covariance, (fake.chains, fake.draws))
    for layer in fake.stuck:
        drawn[:, :, layer] += 0.1 * np.arange(fake.chains)[:, None]
    others = {name: mean for name, mean in value.items()}
    others |= {"ln_pair_error": np.log(0.03), "pair_error_growth": 0.2, "ln_profile_error": np.log(0.02)}
    sd = np.full(len(others), 0.1)
    rest = np.array(list(others.values())) + sd * rng.standard_normal((fake.chains, fake.draws, sd.size))
    found = diagnose(np.concatenate([drawn, rest], axis=2))
    whole = np.diag(np.r_[np.zeros(2 * n), sd**2])
    whole[: 2 * n, : 2 * n] = covariance
    each = (fake.chains, fake.draws)
    fitted = _fitted(fake)
    efficiency = np.exp(
        0.1 * rng.standard_normal(len(fitted)) + 0.02 * rng.standard_normal((*each, len(fitted)))
    )
    runs = [f"R{k + 1:02d}" for k in range(fake.runs) if k != 2]
    names = [f"ln_{kind}_length[{i}]" for kind in ("scattering", "absorption") for i in range(n)]
    return {
        "posterior": {
            "chain": np.arange(fake.chains), "draw": np.arange(fake.draws), "layer": middle_m,
            "module": fitted, "run": runs,
            "scattering_length": np.exp(drawn[:, :, :n]), "absorption_length": np.exp(drawn[:, :, n:]),
            "efficiency": efficiency / efficiency.mean(axis=2, keepdims=True),
            "brightness": np.exp(0.1 * rng.standard_normal((*each, len(runs)))),
            "time_offset": 3 * rng.standard_normal(len(fitted)) + rng.standard_normal((*each, len(fitted))),
            "dark_rate": 500 * np.exp(0.1 * rng.standard_normal((*each, len(fitted)))),
            **{name: rest[:, :, i] for i, name in enumerate(others)},
        },
        "sample_stats": {"lp": -0.5 * rng.chisquare(2 * n, each)},
        "diagnostics": {
            "parameter": [*names, *others], "rhat": found.rhat, "ess_bulk": found.ess_bulk,
            "ess_tail": found.ess_tail, "maximum": np.r_[mean, list(others.values())],
            "laplace_covariance": whole,
        },
    }  # fmt: skip


def _fitted(fake: Fake) -> list[str]:
    number = fake.lines * fake.modules_per_line
    bad = {1, fake.modules_per_line + 4}
    return [
        f"{fake.prefix}{k // fake.modules_per_line + 1}-{k % fake.modules_per_line + 1:02d}"
        for k in range(number)
        if k not in bad
    ]


def _observed(
    fake: Fake, constant: dict[str, object], rng: np.random.Generator
) -> dict[str, dict[str, object]]:
    distance = np.asarray(constant["distance"])
    time = 0.5 * (np.asarray(constant["bin_start"]) + np.asarray(constant["bin_stop"]))
    rise = np.clip(time[None] / (6.0 * distance[:, None]), 1e-3, None)
    mean = 4000.0 * np.exp(-distance / 60.0)[:, None] * rise**-1.5 * np.exp(-1.0 / rise)
    off = np.exp(0.03 * rng.standard_normal(distance.size))[:, None]
    used = (time[None] > 5 * distance[:, None]) & np.ones((distance.size, 1), dtype=bool)
    return {
        "observed_data": {"counts": rng.poisson(mean * off), "used": used.astype(np.uint8)},
        "posterior_predictive": {
            "counts_mean": mean.astype(np.float32), "counts_sd": (0.005 * mean).astype(np.float32),
            "charge_error": np.full(distance.size, 0.035),
        },
    }  # fmt: skip
