"""From a campaign to the scene that a light model is built on."""

import numpy as np

from iceopt.campaign.model import Campaign
from iceopt.light.model import Emission, Scene


def scene_of(campaign: Campaign) -> Scene:
    """Describe every pair of a campaign to a light model.

    Parameters
    ----------
    campaign : Campaign

    Returns
    -------
    Scene
        One entry a pair, in the order of `campaign.pair_run`.
    """
    settings, flashes = campaign.settings, campaign.flashes
    emitter = campaign.modules.position_m[flashes.emitter[campaign.pair_run]]
    receiver = campaign.modules.position_m[campaign.pair_module]
    across = receiver[:, :2] - emitter[:, :2]
    return Scene(
        emitter_depth_m=emitter[:, 2].copy(),
        receiver_depth_m=receiver[:, 2].copy(),
        distance_m=np.hypot(across[:, 0], across[:, 1]),
        bearing_deg=np.degrees(np.arctan2(across[:, 1], across[:, 0])),
        azimuth_deg=flashes.azimuth_deg[campaign.pair_run],
        photons=(flashes.photons_per_pulse * flashes.pulses)[campaign.pair_run],
        bin_edges_ns=campaign.bin_edges_ns,
        emission=Emission(settings.emitter_pattern, settings.elevation_deg, settings.elevation_spread_deg),
        group_index=settings.group_index,
        scattering_anisotropy=settings.scattering_anisotropy,
        effective_area_m2=settings.effective_area_m2,
        acceptance_slope=settings.acceptance_slope,
    )
