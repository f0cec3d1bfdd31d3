"""Exposure arithmetic against hand-made figures. Limits and weights of IEC 62471 (2006) are from memory."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.constants as constants
import scipy.integrate

from iceopt.plan.cautions import (
    Deck,
    Phototube,
    beam_solid_angle,
    cautions,
    exposures,
    light_at,
    mean_power_w,
    risk_group,
    weights,
)
from tests.plan.sites import SETTINGS

DECK = Deck(distance_m=0.2, exposure_s=30_000.0, source_diameter_m=0.005)


def test_power_of_a_flasher_is_photons_times_their_energy():
    energy = constants.h * constants.c / 405e-9
    assert mean_power_w(1e10, 5.0, 405.0) == pytest.approx(1e10 * 5.0 * energy, rel=1e-6)


@pytest.mark.parametrize("elevation", [0.0, 48.0])
def test_solid_angle_of_a_ring(elevation):
    ring = replace(SETTINGS, emitter_pattern="ring", elevation_deg=elevation, elevation_spread_deg=10.0)

    def along(angle: float) -> float:
        off = (np.degrees(angle) - elevation) / 10.0
        return 2 * np.pi * np.cos(angle) * np.exp(-0.5 * off**2)

    expected = scipy.integrate.quad(along, -np.pi / 2, np.pi / 2, points=[np.radians(elevation)])[0]
    assert beam_solid_angle(ring) == pytest.approx(expected, rel=1e-4)


def test_near_ultraviolet_by_hand():
    """1 W at 365 nm in all directions, 0.2 m away: 1 / (4 pi 0.04) = 1.99 W/m2 against 10 W/m2."""
    found = {c.name: c for c in exposures(1.0, replace(SETTINGS, wavelength_nm=365.0), DECK)}
    near = found["near ultraviolet"]
    assert near.value == pytest.approx(1.0 / (4 * np.pi * 0.04))
    assert near.limit == 10.0
    assert near.within
    assert not {c.name: c for c in exposures(6.0, replace(SETTINGS, wavelength_nm=365.0), DECK)}[
        "near ultraviolet"
    ].within


def test_blue_light_by_hand():
    """1 W at 440 nm (weight 1) from a 5 mm source: radiance = power / (4 pi x area of the disc)."""
    (blue,) = exposures(1.0, replace(SETTINGS, wavelength_nm=440.0), DECK)
    assert blue.value == pytest.approx(1.0 / (4 * np.pi) / (np.pi * 0.0025**2))
    assert blue.limit == 100.0
    (small,) = exposures(1.0, replace(SETTINGS, wavelength_nm=440.0), replace(DECK, distance_m=1.0))
    assert small.value == pytest.approx(1.0 / (4 * np.pi))
    assert small.limit == 1.0


@pytest.mark.parametrize(("power_w", "group"), [(1e-3, 0), (0.1, 1), (10.0, 2), (5000.0, 3)])
def test_risk_groups_of_blue_light(power_w, group):
    """A 5 mm disc of 440 nm: 4 052 W/m2/sr a watt; the groups end at 100, 1e4 and 4e6 W/m2/sr."""
    blue = replace(SETTINGS, wavelength_nm=440.0)
    assert light_at(1.0, blue, 0.2, 0.005)[0].value == pytest.approx(4053.0, rel=1e-3)
    assert risk_group(power_w, blue, 0.005) == group


def test_the_worst_hazard_rules():
    """365 nm, 60 W in all directions: 119 W/m2 of near ultraviolet at 200 mm, above 100."""
    assert risk_group(60.0, replace(SETTINGS, wavelength_nm=365.0), 0.005) == 3


def test_weights_fall_away_from_their_peaks():
    assert weights(437.0)[1] == 1.0
    assert weights(550.0)[1] == pytest.approx(0.01)
    assert weights(405.0) == (0.0, pytest.approx(0.2))
    assert weights(365.0)[0] < weights(320.0)[0]


def test_what_is_not_checked_and_what_is_above_is_said():
    photons = np.array([1e10])
    silent = "\n".join(cautions(SETTINGS, photons, 5.0, 10.0, None, None))
    assert silent.count("NOT CHECKED") == 2
    tube = Phototube(high_voltage_v=1500.0, gain=1e7, largest_mean_current_a=1e-9)
    loud = "\n".join(cautions(SETTINGS, photons, 5.0, 1e6, replace(DECK, steady_power_w=1e3), tube))
    assert "held on by a fault" in loud
    # 1e6 electrons x 5 Hz x 1e7 x 1.6e-19 C
    assert "8e-06 A" in loud
    assert loud.count("ABOVE") == 2
    for text in (silent, loud):
        assert "Local codes rule; licensed staff decide" in text
        assert "Drill sites" in text
