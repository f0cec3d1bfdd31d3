"""Faults that were put in are found, and nothing that is healthy is thrown out."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.campaign import outliers
from iceopt.campaign.check import find_faults
from iceopt.campaign.model import Campaign, Verdicts
from iceopt.campaign.outliers import critical_deviation, most_expected, robust_sd, tail_sd
from iceopt.campaign.read import read_campaign
from iceopt.errors import InputError
from tests.synthetic import Truth, draw_campaign

ROOT = Path(__file__).parents[2]
PRACTICE = ROOT.parent / "shared" / "campaigns"

FAR_WEAKER = 0.35
"""A run of the practice truth below this fired weak: the healthy ones are above 0.5."""

BASE = {
    "lines": 7,
    "line_spacing_m": 120.0,
    "modules_per_line": 30,
    "flash_every": 3,
    "photons_per_pulse": 5e9,
}
VARIANTS = {
    "usual": {},
    "clear": {"scattering_length_m": 60.0, "absorption_length_m": 200.0, "photons_per_pulse": 2e9},
    "dusty": {"scattering_length_m": 15.0, "absorption_length_m": 70.0, "dust": (1600.0, 1660.0, 3.0)},
    "dust band": {"dust": (1700.0, 1780.0, 3.0)},
    "3 lines": {"lines": 3, "line_spacing_m": 90.0, "modules_per_line": 40, "flash_every": 4},
    "19 lines": {"lines": 19, "modules_per_line": 20, "flash_every": 4, "photons_per_pulse": 1e10},
    "sparse flashes": {"line_spacing_m": 100.0, "flash_every": 15, "photons_per_pulse": 1e10},
    "few pulses": {"pulses": 10},
    "no spreads": {"brightness_spread": 0.0, "efficiency_spread": 0.0, "timing_spread_ns": 0.0},
    "wide spreads": {"brightness_spread": 0.3, "efficiency_spread": 0.25, "timing_spread_ns": 8.0},
    "fine bins": {"bin_ns": 10.0, "start_ns": -200.0, "stop_ns": 2000.0},
    "coarse bins": {"bin_ns": 50.0, "stop_ns": 4000.0},
    "single LEDs": {"pattern": "single"},
    "no dark noise": {"dark_rate_hz": 0.0},
    "much dark noise": {"dark_rate_hz": 5000.0, "pulses": 1000},
    "small": {
        "lines": 3,
        "line_spacing_m": 60.0,
        "modules_per_line": 8,
        "flash_every": 2,
        "photons_per_pulse": 2e8,
    },
}

FAULTS = {
    "silent": ("L1-02", "L3-07"),
    "dark_only": ("L2-05",),
    "noisy": {"L1-06": 2e5, "L3-03": 4e5},
    "mistimed": {"L2-02": 180.0, "L3-05": -140.0},
    "dead": ("L2-07",),
    "brightness": {"R03": 0.0, "R06": 0.15},
}
MODULES = {
    **{name: "silent" for name in (*FAULTS["silent"], *FAULTS["dark_only"])},
    **{name: "noisy" for name in FAULTS["noisy"]},
    **{name: "mistimed" for name in FAULTS["mistimed"]},
    "L2-07": "dead",
}


def states(campaign: Campaign, verdicts: Verdicts) -> tuple[dict[str, str], dict[str, str]]:
    """Modules and runs that are not ok."""
    modules = zip(campaign.modules.name, verdicts.module_state, strict=True)
    runs = zip(campaign.flashes.run, verdicts.run_state, strict=True)
    return {k: v for k, v in modules if v != "ok"}, {k: v for k, v in runs if v != "ok"}


@pytest.mark.parametrize("name", VARIANTS)
@pytest.mark.parametrize("seed", [11, 12])
def test_no_faults_none_found(name: str, seed: int) -> None:
    campaign, _ = draw_campaign(**(BASE | VARIANTS[name]), seed=seed)
    assert states(campaign, find_faults(campaign)) == ({}, {})


@pytest.mark.parametrize("name", VARIANTS)
def test_all_faults_found(name: str) -> None:
    campaign, _ = draw_campaign(**(BASE | VARIANTS[name] | FAULTS), seed=5)
    assert states(campaign, find_faults(campaign)) == (MODULES, {"R03": "dark", "R06": "weak"})


@pytest.mark.slow
@given(
    seed=st.integers(0, 2**32 - 1),
    scattering_m=st.floats(15, 60),
    absorption_m=st.floats(60, 200),
    dust=st.floats(1, 3),
    lines=st.integers(3, 12),
    spacing_m=st.floats(60, 130),
)
@settings(max_examples=40, deadline=None)
def test_no_false_alarm_in_any_ice(
    seed: int, scattering_m: float, absorption_m: float, dust: float, lines: int, spacing_m: float
) -> None:
    campaign, _ = draw_campaign(
        **BASE
        | {
            "seed": seed,
            "scattering_length_m": scattering_m,
            "absorption_length_m": absorption_m,
            "dust": (1640.0, 1700.0, dust),
            "lines": lines,
            "line_spacing_m": spacing_m,
        }
    )
    assert states(campaign, find_faults(campaign)) == ({}, {})


@pytest.mark.skipif(not PRACTICE.exists(), reason="the practice campaigns are not beside the repository")
@pytest.mark.parametrize(
    "name",
    [
        "skarv_2030_clean",
        "skarv_2031",
        "skarv_2031_370nm",
        "skarv_2031_505nm",
        "skarv_2032",
        "skarv_led_2033",
        "skarv_slope_2033",
    ],
)
def test_practice_campaigns(name: str) -> None:
    """Counts of an independent tracking Monte Carlo, so light that no model here has made."""
    assert_as_in_truth(PRACTICE / name)


def test_sample_campaign() -> None:
    assert_as_in_truth(ROOT / "sample_runs" / "skarv_demo")


def assert_as_in_truth(folder: Path) -> None:
    campaign, truth = read_campaign(folder), json.loads((folder / "truth.json").read_text())
    modules, runs = states(campaign, find_faults(campaign))
    names = zip(campaign.modules.name, campaign.modules.alive, strict=True)
    assert modules == (
        {name: "dead" for name, alive in names if not alive}
        | {name: state for state in ("silent", "noisy", "mistimed") for name in truth[state]}
    )
    assert runs == {
        entry["run"]: "weak" if entry["brightness"] else "dark"
        for entry in truth["runs"]
        if entry["brightness"] < FAR_WEAKER
    }


@pytest.fixture(scope="module")
def faulty() -> tuple[Campaign, Truth, Verdicts]:
    campaign, truth = draw_campaign(**(BASE | FAULTS), seed=5)
    return campaign, truth, find_faults(campaign)


def test_usable_bins_are_the_ones_that_say_something(faulty: tuple[Campaign, Truth, Verdicts]) -> None:
    campaign, truth, verdicts = faulty
    usable, counts = verdicts.usable, campaign.counts
    edges_ns = campaign.bin_edges_ns
    module_out = np.array([state != "ok" for state in verdicts.module_state])
    run_out = np.array([state != "ok" for state in verdicts.run_state])
    assert usable.shape == counts.shape
    assert not usable[module_out[campaign.pair_module] | run_out[campaign.pair_run]].any()
    assert not usable[:, edges_ns[1:] <= 0].any()
    linear = campaign.flashes.pulses[campaign.pair_run] * campaign.settings.bin_ns
    saturated = np.cumsum(counts > linear[:, None], axis=1) > 0
    assert saturated.any()
    assert not usable[saturated].any()

    # what is left is whole: a pair loses its bins only before the flash and from saturation on
    whole = usable.any(axis=1)
    assert (usable[whole] == (~saturated & (edges_ns[1:] > 0))[whole]).all()
    # and of the healthy pairs nothing bright but linear is dropped
    light = truth.expected.sum(axis=1)
    healthy = ~(module_out[campaign.pair_module] | run_out[campaign.pair_run])
    assert whole[healthy & (light > 100) & ~saturated.any(axis=1)].all()
    # while pairs that could see next to nothing are
    dark = campaign.flashes.pulses[campaign.pair_run] * 140 * 25e-9 * campaign.settings.dark_rate_hz
    assert not whole[light - dark < 0.5].any()


def test_every_exclusion_has_its_reason(faulty: tuple[Campaign, Truth, Verdicts]) -> None:
    campaign, _, verdicts = faulty
    by_kind = {
        kind: [f.name for f in verdicts.findings if f.kind == kind] for kind in ("module", "run", "pair")
    }
    modules, runs = states(campaign, verdicts)
    assert set(by_kind["module"]) == set(modules)
    assert set(by_kind["run"]) == set(runs)
    silent = ~verdicts.usable.any(axis=1)
    for pair in np.flatnonzero(silent):
        run = campaign.flashes.run[campaign.pair_run[pair]]
        module = campaign.modules.name[campaign.pair_module[pair]]
        assert module in modules or run in runs or f"{run}/{module}" in by_kind["pair"]
    assert all(finding.reason for finding in verdicts.findings)


def test_receivers_behind_an_led_are_left_out() -> None:
    campaign, _ = draw_campaign(**(BASE | {"pattern": "single"}))
    verdicts = find_faults(campaign)
    start = campaign.modules.position_m[campaign.flashes.emitter[campaign.pair_run]]
    way = campaign.modules.position_m[campaign.pair_module] - start
    azimuth = np.radians(campaign.flashes.azimuth_deg[campaign.pair_run])  # the LEDs point level
    ahead = way[:, 0] * np.cos(azimuth) + way[:, 1] * np.sin(azimuth)
    behind = ahead < np.cos(np.radians(125.0)) * np.linalg.norm(way, axis=1)
    assert behind.any()
    assert not verdicts.usable[behind].any()
    assert verdicts.usable[~behind].any()
    found = [finding for finding in verdicts.findings if finding.state == "behind"]
    assert found
    assert all("degrees from where the LED points" in finding.reason for finding in found)
    ring, _ = draw_campaign(**(BASE | {"pattern": "ring"}))
    assert not any(finding.state == "behind" for finding in find_faults(ring).findings)


def test_far_modules_are_not_called_silent() -> None:
    """A line beyond the light counts nothing but dark noise, as it should."""
    campaign, truth = draw_campaign(**(BASE | {"line_spacing_m": 400.0, "photons_per_pulse": 1e8}))
    light = truth.expected.sum(axis=1) - campaign.flashes.pulses[campaign.pair_run] * 140 * 25e-9 * 500
    other_line = (
        np.array(campaign.modules.line)[campaign.pair_module]
        != np.array(campaign.modules.line)[campaign.flashes.emitter[campaign.pair_run]]
    )
    assert light[other_line].max() < 1
    verdicts = find_faults(campaign)
    assert states(campaign, verdicts) == ({}, {})
    assert not verdicts.usable[other_line].any()


def test_a_campaign_without_light_is_refused() -> None:
    campaign, _ = draw_campaign(photons_per_pulse=1.0)
    with pytest.raises(InputError, match="pairs of run and module show linear light"):
        find_faults(campaign)


def test_absolute_brightness_does_not_matter() -> None:
    """The same counts from emitters said to be a thousand times fainter."""
    campaign, _ = draw_campaign(**(BASE | FAULTS), seed=5)
    other = replace(
        campaign,
        flashes=replace(campaign.flashes, photons_per_pulse=1e-3 * campaign.flashes.photons_per_pulse),
    )
    one, two = find_faults(campaign), find_faults(other)
    assert (one.module_state, one.run_state) == (two.module_state, two.run_state)
    assert (one.usable == two.usable).all()


def test_order_of_modules_and_runs_does_not_matter() -> None:
    campaign, _ = draw_campaign(**(BASE | FAULTS), seed=5)
    rng = np.random.default_rng(3)
    m, r = rng.permutation(len(campaign.modules.name)), rng.permutation(len(campaign.flashes.run))

    def permuted(value, order):
        return tuple(value[i] for i in order) if isinstance(value, tuple) else value[order]

    new_m, new_r = np.argsort(m), np.argsort(r)
    flashes = type(campaign.flashes)(**{k: permuted(v, r) for k, v in vars(campaign.flashes).items()})
    other = replace(
        campaign,
        modules=type(campaign.modules)(**{k: permuted(v, m) for k, v in vars(campaign.modules).items()}),
        flashes=replace(flashes, emitter=new_m[flashes.emitter]),
        pair_run=new_r[campaign.pair_run],
        pair_module=new_m[campaign.pair_module],
    )
    assert states(other, find_faults(other)) == states(campaign, find_faults(campaign))


def test_limits() -> None:
    """Against tables: Gaussian tail 3.2905 for 1e-3 two-sided (any statistics text); Poisson upper limits
    of 0 and 3 counts at 95 %, 2.996 and 7.754 (Garwood, Biometrika 28, 437 (1936))."""
    assert critical_deviation(1) == pytest.approx(3.719, abs=1e-3)  # one-sided 1e-4
    assert critical_deviation(2) > critical_deviation(1)
    tests = outliers.FALSE_ALARMS / 0.05
    np.testing.assert_allclose(
        [outliers.chi2.isf(outliers.FALSE_ALARMS / tests, 2 * (n + 1)) / 2 for n in (0, 3)],
        [2.996, 7.754],
        atol=1e-3,
    )
    assert most_expected(np.array([0.0]), 1)[0] == pytest.approx(-np.log(outliers.FALSE_ALARMS))


def test_robust_scatter_is_a_standard_deviation_that_outliers_do_not_move() -> None:
    values = np.random.default_rng(1).normal(0, 3, 20_000)
    assert robust_sd(values) == pytest.approx(3, rel=0.03)
    assert tail_sd(values) == pytest.approx(3, rel=0.03)
    values[:600] = 1e6
    assert robust_sd(values) < 3.3
    assert tail_sd(values) < 3.6
    assert robust_sd(values[:0]) == tail_sd(values[:0]) == 0
