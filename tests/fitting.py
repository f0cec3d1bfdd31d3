"""A small fit that several tests share: counts drawn from the light model that fits them."""

import functools
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Verdicts
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.config import FitConfig
from iceopt.fit.outcome import Outcome, fit
from iceopt.fit.problem import Light, Problem
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.model import LightModel, Scene
from iceopt.light.scene import scene_of
from tests.synthetic import Truth, draw_campaign

EDGES_M = (1490.0, 1530.0, 1570.0, 1620.0)
TRUE_SCATTERING_M = (14.0, 9.0, 12.0)
TRUE_ABSORPTION_M = (100.0, 70.0, 120.0)


class ExactClosedForm(ClosedForm):
    """Closed form that claims no error of its own: right where the counts were drawn from it."""

    def model_error(self, ice: Ice, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.zeros_like(expected)


def exact(config: FitConfig, scene: Scene) -> Light:
    """The light model that the counts of `small_problem` were drawn from plays every part."""
    model = ExactClosedForm(scene)
    return Light(lambda ice: model, model, False)


def small_config(**sampler: object) -> FitConfig:
    """Three layers, few draws."""
    chosen = {"ensembles": 2, "draws": 2000, "time_limit_s": 1200.0} | sampler
    return FitConfig.model_validate(
        {
            "layers": {"edges_m": EDGES_M},
            "error": {
                "profile": {"median": 0.01, "spread": 1.0},
                "pair": {"median": 0.01, "spread": 1.0},
                "own_line": 0.0,
            },
            "sampler": chosen,
        }
    )


def small_problem(
    config: FitConfig | None = None, ice: Ice | None = None, seed: int = 11
) -> tuple[Problem, Truth]:
    """Problem on a drawn campaign, every bin after the flash usable but those of near pairs.

    Another seed draws other counts of the same modules and flashes.
    """
    campaign, truth = small_campaign(ice, seed)
    return Problem([(campaign, all_far(campaign))], config or small_config(), exact), truth


def small_campaign(
    ice: Ice | None = None, seed: int = 11, efficiency: NDArray[np.float64] | None = None, **changes: object
) -> tuple[Campaign, Truth]:
    """Draw counts of the small problem's modules and flashes, or of some changed (`Scenario`)."""
    usual = {"line_spacing_m": 110.0, "modules_per_line": 7, "photons_per_pulse": 2e10}
    campaign, truth = draw_campaign(**(usual | changes))
    if efficiency is not None:
        truth = replace(truth, efficiency=efficiency)
    return redrawn(campaign, truth, ice or Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M), seed), truth


def all_far(campaign: Campaign) -> Verdicts:
    """Let every bin after the flash be usable but those of near pairs."""
    usable = (scene_of(campaign).range_m > 60.0)[:, None] & (campaign.bin_edges_ns[:-1] >= 0)
    ok = ("ok",)
    return Verdicts((), ok * len(campaign.modules.name), ok * len(campaign.flashes.run), usable)


def redrawn(
    campaign: Campaign,
    truth: Truth,
    ice: Ice,
    seed: int,
    light: Callable[[Scene], LightModel] = ClosedForm,
    attitude: Attitude = LEVEL,
) -> Campaign:
    """The campaign with counts of a light model in their place; clock offsets by moving the bins' edges."""
    scene = scene_of(campaign, attitude)
    expected = np.empty(campaign.counts.shape)
    for module in np.unique(campaign.pair_module):
        mine = campaign.pair_module == module
        edges = scene.bin_edges_ns - truth.time_offset_ns[module]
        expected[mine] = light(replace(scene.of_pairs(mine), bin_edges_ns=edges)).expected(ice)
    expected = np.maximum(expected, 0.0)  # moments ring about the front
    expected *= (truth.brightness[campaign.pair_run] * truth.efficiency[campaign.pair_module])[:, None]
    settings = campaign.settings
    dark = campaign.flashes.pulses[campaign.pair_run] * settings.dark_rate_hz * 1e-9 * settings.bin_ns
    counts = np.random.default_rng(seed).poisson(expected + dark[:, None]).astype(np.int32)
    return replace(campaign, counts=counts)


@functools.cache
def fitted() -> tuple[Outcome, Truth]:
    """The small problem, fitted."""
    problem, truth = small_problem()
    with tempfile.TemporaryDirectory() as folder:
        store = Checkpoint(Path(folder) / "checkpoint", {}, resume=False)
        return fit(problem, store, lambda words, part: None), truth
