"""From a campaign to the scene that a light model is built on."""

import numpy as np

from iceopt.campaign.model import Campaign
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.light.model import Emission, Scene


def scene_of(campaign: Campaign, attitude: Attitude = LEVEL) -> Scene:
    """Describe every pair of a campaign to a light model.

    Parameters
    ----------
    campaign : Campaign
    attitude : Attitude, optional
        Of the ice: depths and distances are then those of level ice that is alike in all directions.

    Returns
    -------
    Scene
        One entry a pair, in the order of `campaign.pair_run`.
    """
    settings, flashes = campaign.settings, campaign.flashes
    depth = attitude.depth_m(campaign.modules.position_m)
    emitter = campaign.modules.position_m[flashes.emitter[campaign.pair_run]]
    receiver = campaign.modules.position_m[campaign.pair_module]
    across = receiver[:, :2] - emitter[:, :2]
    return Scene(
        emitter_depth_m=depth[flashes.emitter[campaign.pair_run]],
        receiver_depth_m=depth[campaign.pair_module],
        distance_m=attitude.distance_m(emitter, receiver),
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
