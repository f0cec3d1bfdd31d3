"""Plans of single LEDs: each LED of an emitter is a flash of its own, and tells of what lies ahead of it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from iceopt.cli import app
from iceopt.errors import InputError
from iceopt.plan.blocks import blocks
from iceopt.plan.choose import Chooser, Criterion, at_random, evenly_spaced
from iceopt.plan.precision import forecast
from iceopt.plan.prior import layer_prior, nuisance_prior
from iceopt.plan.scenario import read_plan_scenario
from iceopt.plan.site import PlannedMoments
from tests.plan.sites import flashes, site
from tests.plan.test_plan_command import scenario

AZIMUTHS_DEG = (0.0, 90.0, 180.0, 270.0)
SINGLE = {"emitter_pattern": "single", "elevation_deg": 0.0, "elevation_spread_deg": 12.0}


@pytest.fixture(scope="module")
def where():
    return site(**SINGLE)


def test_every_led_with_every_setting_is_a_candidate(where):
    found = flashes(where, ((2e9, 200), (2e9, 400)), emitters=[3, 5], azimuths_deg=AZIMUTHS_DEG)
    of_flash = found.flashes
    assert found.size == 2 * 4 * 2
    settings = set(zip(of_flash.emitter, of_flash.azimuth_deg, of_flash.pulses, strict=True))
    assert settings == {(e, a, p) for e in (3, 5) for a in AZIMUTHS_DEG for p in (200, 400)}
    assert np.unique(found.source).size == 2 * 4
    for source in range(8):
        same = found.source == source
        assert np.ptp(of_flash.emitter[same]) == np.ptp(of_flash.azimuth_deg[same]) == 0


def test_emitters_that_shine_in_all_azimuths_are_one_source_each(where):
    found = flashes(where, ((2e9, 200), (2e9, 400)), emitters=[3, 5])
    np.testing.assert_array_equal(found.source, [0, 0, 1, 1])


def test_receivers_behind_an_led_are_not_counted_on(where):
    found = flashes(where, emitters=[3], azimuths_deg=AZIMUTHS_DEG)
    place, line = where.modules.position_m, np.array(where.modules.line)
    for azimuth, block in zip(found.flashes.azimuth_deg, blocks(where, found.flashes), strict=True):
        seen = place[block.modules] - place[3]
        ahead = np.cos(np.radians(azimuth)) * seen[:, 0] + np.sin(np.radians(azimuth)) * seen[:, 1]
        own_line = line[block.modules] == line[3]
        assert np.all((ahead > -1e-9) | own_line)
        assert own_line.any()
        # The other two lines stand at azimuths of 0 and 60 degrees.
        assert (~own_line).any() == (azimuth in (0.0, 90.0))


def test_leds_of_one_emitter_may_all_be_chosen_but_each_once(where):
    found = flashes(where, ((2e9, 100), (2e9, 200)), emitters=[3, 4, 11], azimuths_deg=AZIMUTHS_DEG)
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
    told = blocks(where, found.flashes)
    chooser = Chooser(prior, nuisances, told, found, Criterion(np.ones(6, bool)))
    choice = chooser.choose(budget_hours=8.0)
    assert np.unique(found.source[choice.which]).size == choice.which.size
    assert np.unique(found.flashes.emitter[choice.which]).size < choice.which.size
    rng = np.random.default_rng(2)
    depth = where.modules.position_m[:, 2]
    for other in (evenly_spaced(found, choice.which, depth), at_random(found, choice.which, rng)):
        assert np.unique(found.source[other]).size == choice.which.size
        np.testing.assert_array_equal(found.flashes.pulses[other], found.flashes.pulses[choice.which])
        assert chooser.value(other) >= choice.value[-1]


def test_low_order_forecasts_leds_as_a_high_one_does():
    """Standard deviations by order 2, as planned with, and by order 5.

    Twelve LEDs of the sample scenario, 20 layers: 3.2 % apart (rms), one by 9 %; here 7.5 % and 13 %.
    """
    base = site(**SINGLE)
    found = flashes(base, emitters=[3, 12], azimuths_deg=(0.0, 60.0, 180.0), half_window_m=60.0)
    sds = []
    for order in (2, 5):
        where = replace(base, light=lambda scene, order=order: PlannedMoments(scene, order))
        prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
        sds.append(forecast(prior, nuisances, blocks(where, found.flashes)).sd)
    apart = np.log(sds[0] / sds[1])
    assert np.sqrt(np.mean(apart**2)) < 0.1
    assert np.abs(apart).max() < 0.2


def test_a_plan_of_leds_names_them(tmp_path: Path):
    path = scenario(tmp_path, ('pattern = "isotropic"', 'pattern = "single"'))
    path.write_text(path.read_text().replace("every = 1\n", "every = 1\nazimuths_deg = [0, 180]\n", 1))
    done = CliRunner().invoke(app, ["plan", str(path), "-o", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    table = pl.read_csv(tmp_path / "out" / "flashes.csv")
    assert set(table["azimuth_deg"]) <= {0.0, 180.0}
    first = f"{table['emitter'][0]} {table['azimuth_deg'][0]:g}\N{DEGREE SIGN}"
    assert first in done.output
    assert first in (tmp_path / "out" / "plan.html").read_text()


@pytest.mark.parametrize("pattern", ["single", "isotropic"])
def test_azimuths_go_with_single_leds_only(tmp_path, pattern):
    path = scenario(tmp_path, ('pattern = "isotropic"', f'pattern = "{pattern}"'))
    if pattern != "single":
        path.write_text(path.read_text().replace("every = 1\n", "every = 1\nazimuths_deg = [0]\n", 1))
    with pytest.raises(InputError, match=f"goes with the emitter pattern 'single'.* is '{pattern}'"):
        read_plan_scenario(path)
