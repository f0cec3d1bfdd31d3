"""What each pair of run and receiver saw: its geometry, its light above the dark noise, its linear range."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign

SPEED_OF_LIGHT_M_PER_NS = 0.299792458


@dataclass(frozen=True)
class Seen:
    """One entry a pair."""

    run: NDArray[np.int64]
    module: NDArray[np.int64]
    emitter_depth_m: NDArray[np.float64]
    receiver_depth_m: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    cosines: NDArray[np.float64]
    """Shape (pair, 1 or 2): cosine of the direction emitter to receiver to the depth axis, and to the LED
    if the emitters are single LEDs."""
    photons: NDArray[np.float64]
    """Photons emitted in the run at brightness 1."""
    flight_ns: NDArray[np.float64]
    """Time of a straight flight."""
    background: NDArray[np.float64]
    """Dark counts in all bins together."""
    light: NDArray[np.float64]
    """Counts above the background, all bins together."""
    saturated_from: NDArray[np.int64]
    """Index of the first bin above the linear range; the number of bins if there is none."""
    linear: NDArray[np.bool_]
    """Whether no bin is above the linear range."""


def what_was_seen(campaign: Campaign, dark_per_pulse_bin: NDArray[np.float64]) -> Seen:
    """Sum up each pair.

    Parameters
    ----------
    campaign : Campaign
    dark_per_pulse_bin : ndarray, shape (module,)
        Dark counts per pulse and bin.
    """
    settings, flashes = campaign.settings, campaign.flashes
    run, module = campaign.pair_run, campaign.pair_module
    start_m = campaign.modules.position_m[flashes.emitter[run]]
    stop_m = campaign.modules.position_m[module]
    distance_m = np.linalg.norm(stop_m - start_m, axis=1)
    direction = (stop_m - start_m) / distance_m[:, None]
    cosines = direction[:, 2:]
    if settings.single_leds:
        azimuth, elevation = np.radians(flashes.azimuth_deg[run]), np.radians(settings.elevation_deg)
        led = np.column_stack(
            [
                np.cos(azimuth) * np.cos(elevation),
                np.sin(azimuth) * np.cos(elevation),
                np.full(run.size, -np.sin(elevation)),
            ]
        )
        cosines = np.column_stack([cosines, (direction * led).sum(axis=1)])
    pulses, bins = flashes.pulses[run], campaign.counts.shape[1]
    above = campaign.counts > (pulses * settings.bin_ns * settings.linear_up_to_per_pulse_ns)[:, None]
    background = dark_per_pulse_bin[module] * pulses * bins
    return Seen(
        run=run,
        module=module,
        emitter_depth_m=start_m[:, 2],
        receiver_depth_m=stop_m[:, 2],
        distance_m=distance_m,
        cosines=cosines,
        photons=flashes.photons_per_pulse[run] * pulses,
        flight_ns=distance_m * settings.group_index / SPEED_OF_LIGHT_M_PER_NS,
        background=background,
        light=campaign.counts.sum(axis=1) - background,
        saturated_from=np.where(above.any(axis=1), above.argmax(axis=1), bins),
        linear=np.logical_not(above.any(axis=1)),
    )
