"""Simulated campaigns: round trip, nuisances and faults, and bad scenarios in one sentence each."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from iceopt.campaign.check import find_faults
from iceopt.campaign.read import read_campaign
from iceopt.cli import app
from iceopt.errors import InputError
from iceopt.light.scene import scene_of
from iceopt.simulate.draw import FINE, _compressed, _late, _without_counts, draw_campaign
from iceopt.simulate.scenario import read_scenario

SCENARIO = """
seed = 5
layers = [[1500, 1550, 20.0, 90.0], [1550, 1560, 6.0, 30.0], [1560, 1640, 25.0, 100.0]]
[campaign]
site = "Nowhere"
season = "1"
[optics]
wavelength_nm = 405
group_index = 1.337
scattering_anisotropy = 0.9
[emitter]
pattern = "ring"
elevation_deg = 0.0
elevation_spread_deg = 12.0
brightness_spread = 0.2
[receiver]
effective_area_m2 = 0.003
acceptance_slope = 0.6
axis = "down"
efficiency_spread = 0.1
dark_rate_hz = 500.0
linear_up_to_per_pulse_ns = 1.0
timing_spread_ns = 3.0
[readout]
bin_ns = 25
start_ns = -500
stop_ns = 1000
[flashes]
every = 3
photons_per_pulse = 2e8
pulses = 200
half_window_m = 60.0
[tracking]
photons = 4000
[faults]
dead = ["B-02"]
silent = ["B-03"]
noisy_hz = { "A-03" = 50000.0 }
mistimed_ns = { "A-02" = 150.0 }
brightness = { "R002" = 0.0 }
[[lines]]
name = "A"
x_m = 0.0
y_m = 0.0
top_m = 1530.0
spacing_m = 10.0
modules = 7
[[lines]]
name = "B"
x_m = 40.0
y_m = 0.0
top_m = 1532.0
spacing_m = 10.0
modules = 7
"""


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    text = SCENARIO
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "scenario.toml"
    path.write_text(text)
    return path


def test_what_simulate_writes_is_read_back_with_its_truth(tmp_path: Path) -> None:
    scenario, folder = written(tmp_path), tmp_path / "made"
    done = CliRunner().invoke(app, ["simulate", str(scenario), "-o", str(folder)])
    assert done.exit_code == 0, done.output
    campaign = read_campaign(folder)
    again, truth = draw_campaign(read_scenario(scenario))
    assert (campaign.counts == again.counts).all()
    assert campaign.modules.name == again.modules.name
    told = json.loads((folder / "truth.json").read_text())
    assert told["scattering_length_m"] == [20, 6, 25]
    assert [r["brightness"] for r in told["runs"]] == truth.brightness.tolist()
    assert told["silent"] == ["B-03"]
    assert not list(tmp_path.glob(".*"))
    find_faults(campaign)
    assert CliRunner().invoke(app, ["check", str(folder)]).exit_code == 0


def test_counts_follow_the_formula_of_the_tables(tmp_path: Path) -> None:
    campaign, truth = draw_campaign(read_scenario(written(tmp_path)))
    # Poisson: deviations from the expectation, where that is large enough to be normal.
    large = truth.expected > 20
    pull = (campaign.counts - truth.expected)[large] / np.sqrt(truth.expected[large])
    assert large.sum() > 100
    assert (pull**2).mean() == pytest.approx(1, abs=5 * np.sqrt(2 / large.sum()))
    names, edges = campaign.modules.name, campaign.bin_edges_ns
    dark = truth.expected[:, edges[1:] <= -200]
    ordinary = ~np.isin(campaign.pair_module, [names.index("A-03"), names.index("B-03")])
    assert dark[ordinary] == pytest.approx(200 * 500e-9 * 25)  # pulses x dark rate x bin
    assert dark[campaign.pair_module == names.index("A-03")] == pytest.approx(200 * 50_000e-9 * 25)
    assert (truth.expected[campaign.pair_module == names.index("B-03")] == 0).all()
    assert truth.expected[(campaign.pair_run == 1) & ordinary] == pytest.approx(200 * 500e-9 * 25)
    assert names.index("B-02") not in campaign.pair_module


def test_a_fault_changes_nothing_else(tmp_path: Path) -> None:
    _, with_fault = draw_campaign(read_scenario(written(tmp_path)))
    _, without = draw_campaign(read_scenario(written(tmp_path, ('mistimed_ns = { "A-02" = 150.0 }', ""))))
    assert (with_fault.brightness == without.brightness).all()
    assert (with_fault.efficiency == without.efficiency).all()
    assert with_fault.time_offset_ns - without.time_offset_ns == pytest.approx([0, 150, *[0] * 12])


def test_light_on_a_late_clock_comes_later() -> None:
    fine = np.random.default_rng(1).uniform(0, 1, (2, 20 * FINE))
    fine[:, 10 * FINE :] = 0
    late = _late(fine, np.array([0.0, 2.0 * FINE + 1]))
    assert late[0] == pytest.approx(fine[0].reshape(20, FINE).sum(axis=1))
    assert late[1] == pytest.approx(
        np.concatenate((np.zeros(2 * FINE + 1), fine[1]))[: 20 * FINE].reshape(20, FINE).sum(axis=1)
    )


def test_the_response_is_linear_up_to_its_limit() -> None:
    x = np.array([[0.0, 5.0, 10.0, 20.0, 100.0]])
    y = _compressed(x, np.array([[10.0]]))
    assert y[0, :3] == pytest.approx(x[0, :3])
    assert 10 < y[0, 3] < 20
    assert y[0, 3] < y[0, 4] < 50


def test_single_leds_flash_once_an_azimuth(tmp_path: Path) -> None:
    scenario = read_scenario(
        written(
            tmp_path,
            ('pattern = "ring"', 'pattern = "single"'),
            ("half_window_m = 60.0", "half_window_m = 60.0\nazimuths_deg = [0.0, 180.0]"),
            ("brightness_spread = 0.2", "brightness_spread = 0.0"),
            ('brightness = { "R002" = 0.0 }', ""),
            ("photons = 4000", "photons = 40_000"),
        )
    )
    campaign, truth = draw_campaign(scenario)
    assert campaign.flashes.azimuth_deg[:4].tolist() == [0, 180, 0, 180]
    # Line B lies along +x from line A: the LED that points there is the brighter one.
    across = campaign.pair_module == campaign.modules.name.index("B-01")
    charge = [truth.expected[across & (campaign.pair_run == run)].sum() for run in (0, 1)]
    assert charge[0] > 2 * charge[1]


def test_lines_in_stretched_ice_are_lines_that_stand_nearer(tmp_path: Path) -> None:
    stretched = ("[campaign]", "[attitude]\nstretch = [0.25, 0.0]\n[campaign]")
    _, along = draw_campaign(read_scenario(written(tmp_path, stretched)))
    _, nearer = draw_campaign(read_scenario(written(tmp_path, ("x_m = 40.0", "x_m = 30.0"))))
    np.testing.assert_array_equal(along.expected, nearer.expected)


def test_sloping_ice_is_met_at_another_depth_down_the_slope(tmp_path: Path) -> None:
    """B hangs 40 m along +x and 2 m deeper than A: with 0.05 of slope both are at one depth of the ice."""
    sloping = ("[campaign]", "[attitude]\nslope = [0.05, 0.0]\n[campaign]")
    scenario, folder = written(tmp_path, sloping), tmp_path / "made"
    assert CliRunner().invoke(app, ["simulate", str(scenario), "-o", str(folder)]).exit_code == 0
    told = json.loads((folder / "truth.json").read_text())
    assert told["attitude"] == {"slope": [0.05, 0.0], "stretch": [0.0, 0.0]}
    empty = _without_counts(read_scenario(scenario))
    scene = scene_of(empty, read_scenario(scenario).attitude)
    across = scene.distance_m > 1.0
    apart = (scene.receiver_depth_m - scene.emitter_depth_m)[across]
    np.testing.assert_allclose(apart, 10.0 * np.rint(apart / 10.0), atol=1e-9)


def test_dust_scatters_by_mie_theory(tmp_path: Path) -> None:
    pytest.importorskip("miepython")
    scenario = read_scenario(
        written(
            tmp_path,
            ("scattering_anisotropy = 0.9\n", ""),
            (
                "[tracking]",
                "[dust]\nmedian_radius_um = 0.25\ngeometric_sd = 2.0\nrefractive_index = 1.53\n[tracking]",
            ),
        )
    )
    assert scenario.settings.scattering_anisotropy == pytest.approx(scenario.phase.anisotropy, abs=1e-6)
    assert 0.85 < scenario.phase.anisotropy < 0.97


BAD = [
    (
        ("1550, 1560, 6.0", "1550, 1560, -6.0"),
        "layer 2: scattering_length_m is -6; expected a length above 0 m",
    ),
    (("1560, 6.0, 30.0", "1560, 6.0, 0.0"), "layer 2: absorption_length_m is 0"),
    (("[1550, 1560", "[1545, 1560"), "layer 1 ends at 1550 m and layer 2 begins at 1545 m; they overlap"),
    (("[1550, 1560", "[1555, 1560"), "leave a gap"),
    (("[1550, 1560", "[1560, 1550"), "expected the bottom below the top"),
    (("top_m = 1530.0", "top_m = 1430.0"), "emitter A-01 lies at 1430 m, outside every layer"),
    (
        ("[campaign]", "[attitude]\nslope = [1.0, 0.0]\n[campaign]"),
        "emitter B-01 lies at 1492 m, outside every layer",
    ),
    (("[campaign]", "[attitude]\nslope = 0.1\n[campaign]"), "[attitude] slope is 0.1; expected"),
    (("photons = 4000", "photons = 0"), "[tracking] photons is 0; expected a number at least 1"),
    (("photons = 4000", "photons = nan"), "[tracking] photons is nan"),
    (("seed = 5", "seed = -5"), "[seed] is -5; expected a number at least 0"),
    (("seed = 5", "sead = 5"), "[seed] is missing"),
    (("every = 3", "every = 3\nrepeat = 2"), "[flashes] repeat is not known"),
    (("every = 3", 'emitters = ["Z-01"]'), "names 'Z-01', which is no module"),
    (("every = 3", ""), "either every or emitters"),
    (("every = 3", "every = 3\nazimuths_deg = [0.0]"), "goes with the emitter pattern 'single'"),
    (('"R002"', '"R999"'), "names 'R999', which is no run"),
    (('name = "B"', 'name = "A"'), "two lines are named 'A'"),
    (("layers = [", 'layers_file = "a.csv"\nlayers = ['), "found both"),
    (("wavelength_nm = 405", "wavelength_nm = -405"), "wavelength_nm is -405"),
    (("bin_ns = 25", "bin_ns = "), "not valid TOML"),
    (
        (
            "[tracking]",
            "[dust]\nmedian_radius_um = 0.25\ngeometric_sd = 2.0\nrefractive_index = 1.53\n[tracking]",
        ),
        "keep one",
    ),
]


@pytest.mark.parametrize(("change", "words"), BAD)
def test_a_bad_scenario_gives_one_sentence(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    path = written(tmp_path, change)
    with pytest.raises(InputError) as caught:
        read_scenario(path)
    message = str(caught.value)
    assert words in message
    assert message.startswith(str(path))
    assert "\n" not in message


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("depth_top_m,depth_bottom_m\n1,2\n", "column 'scattering_length_m' is missing"),
        ("depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m\n1,2,three,4\n", "row 2"),
        ("depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m\n", "holds no layers"),
    ],
)
def test_a_bad_table_of_layers_gives_one_sentence(tmp_path: Path, table: str, words: str) -> None:
    (tmp_path / "layers.csv").write_text(table)
    old = SCENARIO.splitlines()[2]
    with pytest.raises(InputError, match=words):
        read_scenario(written(tmp_path, (old, 'layers_file = "layers.csv"')))


def test_an_existing_folder_is_refused_before_the_tracking(tmp_path: Path) -> None:
    folder = tmp_path / "full"
    folder.mkdir()
    (folder / "a").write_text("b")
    path = written(tmp_path, ("photons = 4000", "photons = 4_000_000_000"))
    done = CliRunner().invoke(app, ["simulate", str(path), "-o", str(folder)])
    assert done.exit_code == 1 or isinstance(done.exception, InputError)
    assert [p.name for p in folder.iterdir()] == ["a"]


def test_the_sample_scenario_is_sound(tmp_path: Path) -> None:
    sample = Path(__file__).parents[2] / "sample_runs" / "varga_scenario"
    shutil.copytree(sample, tmp_path / "sample")
    scenario = read_scenario(tmp_path / "sample" / "scenario.toml")
    assert len(scenario.modules.name) == 64
    assert len(scenario.flashes.run) == 16
