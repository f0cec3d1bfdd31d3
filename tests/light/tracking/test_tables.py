"""Quantile tables against the densities they stand for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import eval_legendre
from scipy.stats import norm

from iceopt.errors import DomainError
from iceopt.light.model import Emission
from iceopt.light.tracking.tables import (
    Directions,
    PhaseFunction,
    density_at,
    directions,
    henyey_greenstein,
    quantiles,
    tabulated_directions,
    tabulated_phase_function,
)


def moments(phase: PhaseFunction, order: int) -> float:
    """Mean Legendre polynomial of what the table draws: Gauss points in each linear step."""
    node, weight = np.polynomial.legendre.leggauss(4)
    low, high = phase.cosine[:-1, None], phase.cosine[1:, None]
    return float(np.mean(eval_legendre(order, low + (high - low) * (node + 1) / 2) @ weight / 2))


@pytest.mark.parametrize("g", [-0.5, 0.0, 0.3, 0.9, 0.98])
def test_moments_of_henyey_greenstein_are_powers_of_g(g: float) -> None:
    # <P_n> = g^n: Henyey, Greenstein, Astrophys. J. 93, 70 (1941).
    phase = henyey_greenstein(g)
    assert phase.anisotropy == pytest.approx(g, abs=1e-12)
    for n in range(2, 6):
        assert moments(phase, n) == pytest.approx(g**n, abs=3e-5)


def test_a_tabulated_phase_function_draws_what_the_formula_draws() -> None:
    g, cosine = 0.8, 1 - np.geomspace(1e-7, 2, 4000)[::-1]
    cosine[-1] = 1
    density = (1 - g**2) / (1 + g**2 - 2 * g * cosine) ** 1.5
    table = tabulated_phase_function(cosine, density)
    for n in range(1, 6):
        assert moments(table, n) == pytest.approx(g**n, abs=2e-4)


@given(
    st.lists(st.floats(0.01, 10), min_size=1, max_size=30),
    st.data(),
)
def test_quantiles_invert_the_integral_of_a_piecewise_linear_density(
    steps: list[float], data: st.DataObject
) -> None:
    value = np.concatenate(([0.0], np.cumsum(steps)))
    density = np.array(data.draw(st.lists(st.floats(0.1, 5), min_size=value.size, max_size=value.size)))
    table = quantiles(value, density, 50)
    fine = np.union1d(value, table)
    height = np.interp(fine, value, density)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (height[1:] + height[:-1]) * np.diff(fine))))
    share = np.interp(table, fine, area) / area[-1]
    assert share == pytest.approx(np.arange(51) / 50, abs=1e-9)


def test_quantiles_pass_over_gaps() -> None:
    table = quantiles([0, 1, 2, 3, 4], [1, 0, 0, 0, 1], 1000)
    assert (np.diff(table) >= 0).all()
    assert ((table > 1.05) & (table < 2.95)).sum() <= 1
    assert table[[0, -1]] == pytest.approx([0, 4])


def test_a_ring_has_a_normal_elevation() -> None:
    ring = directions(Emission("ring", elevation_deg=10, spread_deg=12))
    assert ring.every_azimuth
    elevation = np.rad2deg(np.arcsin(-ring.cosine_down))
    share = np.arange(1, elevation.size - 1) / (elevation.size - 1)
    assert np.sort(elevation)[1:-1] == pytest.approx(norm.ppf(share, 10, 12), abs=1e-6)


def test_light_above_the_horizontal_goes_up() -> None:
    assert directions(Emission("ring", 30, 1)).cosine_down.mean() == pytest.approx(-0.5, abs=1e-3)
    assert directions(Emission("single", 30, 1)).cosine_down.mean() == pytest.approx(-0.5, abs=1e-3)
    up = tabulated_directions([80, 90], [1, 1]).cosine_down
    assert up.max() <= -np.sin(np.deg2rad(80)) + 1e-9


def test_a_uniform_tabulated_pattern_is_isotropic() -> None:
    table = tabulated_directions([-90, 0, 90], [2, 2, 2]).cosine_down
    assert table == pytest.approx(np.linspace(1, -1, table.size), abs=1e-6)


@pytest.mark.parametrize("spread", [3.0, 12.0, 100.0])
def test_azimuths_of_a_single_led_are_normal_around_the_circle(spread: float) -> None:
    led = directions(Emission("single", 0, spread))
    degree = np.arange(360.0)
    exact = sum(norm.pdf(degree + 360 * k, 0, spread) for k in range(-3, 4)) * 360
    # Means over a degree, and tails cut where less than 1/8192 of the light is, differ by this much.
    assert led.azimuth_weight == pytest.approx(exact, abs=0.01 * exact.max())
    assert led.azimuth_weight.mean() == pytest.approx(1)
    assert directions(Emission("ring", 0, spread)).azimuth_weight.tolist() == [1.0]


@pytest.mark.parametrize("pattern", ["isotropic", "ring", "single"])
def test_light_per_solid_angle_is_the_formula_and_adds_up_to_one(pattern: str) -> None:
    shine = directions(Emission(pattern, 10, 12))
    cosine, step = np.linspace(-1, 1, 101, retstep=True)
    azimuth = np.deg2rad(np.arange(-180.0, 180.0, 10.0))
    each = shine.per_solid_angle(*np.meshgrid(0.5 * (cosine[1:] + cosine[:-1]), azimuth, indexing="ij"))
    assert each.sum() * step * np.deg2rad(10) == pytest.approx(1, abs=3e-3)
    elevation = np.deg2rad(16.0)
    density = norm.pdf(16, 10, 12) * 180 / np.pi / np.cos(elevation)
    exact = {
        "isotropic": 1 / (4 * np.pi),
        "ring": density / (2 * np.pi),
        "single": density * norm.pdf(20, 0, 12) * 180 / np.pi,
    }[pattern]
    assert shine.per_solid_angle(-np.sin(elevation), np.deg2rad(20)) == pytest.approx(exact, rel=2e-3)


def test_a_pattern_that_turns_back_on_itself_keeps_its_light() -> None:
    # Elevations beyond the vertical are directions on the other side of it.
    wide = directions(Emission("ring", 60, 40)).cosine_down
    assert (np.diff(wide) > 0).any() and (np.diff(wide) < 0).any()
    edge = np.linspace(-1, 1, 4001)
    area = density_at(wide, 0.5 * (edge[1:] + edge[:-1])).sum() * 5e-4
    assert area == pytest.approx(1, abs=0.02)
    assert Directions(wide, np.array([-np.pi, np.pi])).every_azimuth


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: henyey_greenstein(1.0), "between -1 and 1"),
        (lambda: quantiles([0, 0], [1, 1]), "increasing"),
        (lambda: quantiles([0, 1], [0, 0]), "not zero everywhere"),
        (lambda: quantiles([0, 1], [1, -1]), "nowhere negative"),
        (lambda: tabulated_phase_function([-1.1, 1], [1, 1]), "between -1 and 1"),
        (lambda: tabulated_directions([-91, 0], [1, 1]), "between -90 and 90"),
        (lambda: directions(Emission("star")), "isotropic, ring or single"),
    ],
)
def test_bad_tables_are_refused(call: object, words: str) -> None:
    with pytest.raises(DomainError, match=words):
        call()  # type: ignore[operator]
