"""What a forecast is made for: a site, the flashes that could be made, and the ice that is expected."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Flashes, Modules, Settings
from iceopt.errors import DomainError
from iceopt.fit.config import FitConfig
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.problem import layer_edges
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.model import LightModel, Scene
from iceopt.light.moments.error import order_error
from iceopt.light.moments.model import LayeredMoments

Array = NDArray[np.float64]
Index = NDArray[np.int64]

ORDER = 2
"""Order of the layered model in forecasts: some percent from the higher orders, in a fraction of the time."""


GRID_M = 2.0
"""Depths and distances that forecasts tell apart: every depth more is a layer more to the light model."""


def on_grid(scene: Scene, step_m: float = GRID_M) -> Scene:
    """Move emitters and receivers to depths and distances that are multiples of a step.

    Parameters
    ----------
    scene : Scene
    step_m : float

    Returns
    -------
    Scene
        Pairs that would lie in one place keep their range as their distance.
    """
    emitter, receiver, distance = (
        step_m * np.round(place / step_m)
        for place in (scene.emitter_depth_m, scene.receiver_depth_m, scene.distance_m)
    )
    together = (emitter == receiver) & (distance == 0.0)
    return replace(
        scene,
        emitter_depth_m=emitter,
        receiver_depth_m=receiver,
        distance_m=np.where(together, scene.range_m, distance),
    )


class PlannedMoments(LayeredMoments):
    """Layered moments that claim the errors which stay at the order that a fit ends with.

    The differences between orders, which would cost a high order for every candidate, are left out: off the
    front of the light they are below the fitted size of the profile's error.
    """

    def model_error(self, ice: Ice, expected: Array) -> Array:
        """Relative error of a high order, shape (pair, bin)."""
        return order_error(expected, [], 1.0, self.scene, ice)


@dataclass(frozen=True)
class Site:
    """All that a forecast depends on besides the choice of flashes."""

    settings: Settings
    modules: Modules
    ice: Ice
    """Expected, on the layers of the fit."""
    config: FitConfig
    errors: Array
    """Shape (3,): sizes of the light model's errors (`ERROR_NAMES`)."""
    light: Callable[[Scene], LightModel]
    longest_range_m: float = 350.0
    """Receivers farther away are not counted on."""
    margin: float = 1.5
    """Receivers are taken to leave their linear range at the stated limit over this."""
    attitude: Attitude = LEVEL
    """How the ice lies; the layers are those at x = y = 0."""


@dataclass(frozen=True)
class Candidates:
    """Flashes that could be made: one entry a run, several of one emitter or LED where settings differ."""

    flashes: Flashes
    hours: Array
    """Shape (run,): detector time of each."""

    @property
    def size(self) -> int:
        """Number of candidates."""
        return len(self.flashes.run)

    @property
    def source(self) -> Index:
        """Number of the emitter, or of the single LED of it, that flashes in each run: shape (run,)."""
        pointing = np.column_stack([self.flashes.emitter, np.nan_to_num(self.flashes.azimuth_deg)])
        return np.unique(pointing, axis=0, return_inverse=True)[1].ravel()


def light_model(config: FitConfig) -> Callable[[Scene], LightModel]:
    """Make the light models of a forecast: the layered model of low order, or the closed form."""
    if config.model.name == "closed-form":
        return ClosedForm
    order = min(config.model.order, ORDER)
    return lambda scene: PlannedMoments(on_grid(scene), order)


def expected_errors(config: FitConfig) -> Array:
    """Sizes of the light model's errors at the middle of their prior, shape (3,)."""
    error = config.error
    sizes = {
        "ln_pair_error": np.log(error.pair.median),
        "pair_error_growth": error.growth.mean,
        "ln_profile_error": np.log(error.profile.median),
    }
    return np.array([sizes[name] for name in ERROR_NAMES])


def onto_layers(ice: Ice, config: FitConfig, modules: Modules) -> Ice:
    """Ice on the layers of a fit: scattering and absorption coefficients averaged over depth.

    Parameters
    ----------
    ice : Ice
        On layers of its own; the first and the last extend without end.
    config : FitConfig
    modules : Modules
        Their depths are the range of the layers by default.
    """
    edges = layer_edges(config.layers, modules.position_m[modules.alive, 2])
    own = ice.edges_m.copy()
    own[0], own[-1] = min(own[0], edges[0]), max(own[-1], edges[-1])
    upper, lower = edges[:-1, None], edges[1:, None]
    inside = np.clip(np.minimum(lower, own[1:]) - np.maximum(upper, own[:-1]), 0.0, None)
    part = inside / (lower - upper)
    return Ice(
        edges, 1.0 / (part @ (1.0 / ice.scattering_length_m)), 1.0 / (part @ (1.0 / ice.absorption_length_m))
    )


def candidates_of(
    modules: Modules,
    emitters: Sequence[int],
    options: Sequence[tuple[float, int]],
    half_window_m: float,
    hours_of: Callable[[int], float],
    azimuths_deg: Sequence[float] = (np.nan,),
) -> Candidates:
    """Every emitter with every option of (photons a pulse, pulses), and each of its LEDs.

    Parameters
    ----------
    modules : Modules
    emitters : sequence of int
        Indices of modules; dead ones are passed over.
    options : sequence of (float, int)
    half_window_m : float
        Modules within this depth of the emitter are read out.
    hours_of : callable
        Detector time of a run of some pulses.
    azimuths_deg : sequence of float, optional
        Where single LEDs point; NaN, the default, for emitters that shine in all azimuths.

    Raises
    ------
    DomainError
        If there is none.
    """
    alive = [i for i in emitters if modules.alive[i]]
    if not alive or not options:
        raise DomainError(
            "there is no flash to choose from: every emitter is dead, or no brightness is given"
        )
    emitter = np.repeat(np.array(alive, dtype=np.int64), len(azimuths_deg) * len(options))
    azimuth = np.tile(np.repeat(np.asarray(azimuths_deg, dtype=float), len(options)), len(alive))
    photons, pulses = (
        np.tile(column, len(alive) * len(azimuths_deg)) for column in zip(*options, strict=True)
    )
    depth = modules.position_m[emitter, 2]
    flashes = Flashes(
        run=tuple(f"F{i + 1:05d}" for i in range(emitter.size)),
        emitter=emitter,
        photons_per_pulse=photons.astype(float),
        pulses=pulses.astype(np.int64),
        readout_top_m=np.maximum(depth - half_window_m, 0.0),
        readout_bottom_m=depth + half_window_m,
        azimuth_deg=azimuth,
    )
    return Candidates(flashes, np.array([hours_of(int(n)) for n in flashes.pulses]))


def some(flashes: Flashes, which: NDArray[np.int64]) -> Flashes:
    """Some of the flashes, in that order."""
    return Flashes(
        run=tuple(flashes.run[i] for i in which),
        emitter=flashes.emitter[which],
        photons_per_pulse=flashes.photons_per_pulse[which],
        pulses=flashes.pulses[which],
        readout_top_m=flashes.readout_top_m[which],
        readout_bottom_m=flashes.readout_bottom_m[which],
        azimuth_deg=flashes.azimuth_deg[which],
    )
