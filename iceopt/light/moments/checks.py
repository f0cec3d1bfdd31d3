"""What the layered model can be built on: every number of a scene is looked at once."""

import numpy as np

from iceopt.errors import DomainError
from iceopt.light.model import Scene

LEAST_PATH_M = 0.02
"""Emitter and receiver closer than this are one point: depths and distances are merged at a few mm."""


def require_sound(scene: Scene) -> None:
    """Refuse a scene that holds anything but finite numbers of the right sign.

    Raises
    ------
    DomainError
        If depths, distances, photons or, of single LEDs, azimuths are not finite, distances or photons
        negative, bin edges do not increase, an emitter and its receiver are in one place, or a constant lies
        outside its range.
    """
    azimuths = ("bearing_deg", "azimuth_deg") if scene.emission.single_led else ()
    for name in ("emitter_depth_m", "receiver_depth_m", "distance_m", "photons", *azimuths):
        value = getattr(scene, name)
        bad = ~np.isfinite(value)
        if name in ("distance_m", "photons"):
            bad |= value < 0
        if bad.any():
            pair = int(bad.argmax())
            signed = name not in ("distance_m", "photons")
            wanted = "a finite number" if signed else "a finite number of at least 0"
            raise DomainError(f"{name}[{pair}] is {value[pair]}; expected {wanted}")
    together = scene.range_m < LEAST_PATH_M
    if together.any():
        pair = int(together.argmax())
        raise DomainError(f"pair {pair}: emitter and receiver are in one place; they must be apart")
    edges = scene.bin_edges_ns
    if edges.size < 2 or not np.isfinite(edges).all() or (np.diff(edges) <= 0).any():
        raise DomainError("bin_edges_ns must be two or more finite times that increase")
    ranges = {
        "group_index": (1.0, np.inf),
        "scattering_anisotropy": (-1.0, 1.0),
        "effective_area_m2": (0.0, np.inf),
        "acceptance_slope": (-np.inf, np.inf),
    }
    for name, (low, high) in ranges.items():
        value = getattr(scene, name)
        if not (np.isfinite(value) and low <= value < high):
            raise DomainError(f"{name} is {value}; expected a finite number from {low:g} to below {high:g}")
