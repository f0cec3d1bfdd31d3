"""`iceopt plan` end to end on a small scenario, and what it says of bad ones."""

import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from iceopt.campaign.read import read_campaign
from iceopt.campaign.settings import settings_to_toml
from iceopt.errors import InputError
from iceopt.plan.ice import result_information
from iceopt.plan.scenario import read_plan_scenario
from iceopt.result.read import Result
from tests.fake_results import Fake, write_fake
from tests.plan.sites import SETTINGS

REPO = Path(__file__).resolve().parents[2]

FIT = """
[layers]
thickness_m = 40.0
margin_m = 0.0
[model]
name = "closed-form"
"""
OWN = """
fit_config = "FIT.toml"

[[lines]]
name = "A"
x_m = 0.0
y_m = 0.0
top_m = 1500.0
spacing_m = 20.0
modules = 6

[[lines]]
name = "B"
x_m = 70.0
y_m = 0.0
top_m = 1500.0
spacing_m = 20.0
modules = 6

[ice]
profile = [[1480, 20, 90], [1620, 25, 110]]

[flashes]
every = 1
photons_per_pulse = [2e9]
pulses = [100, 400]
half_window_m = 100.0

[budget]
pulse_rate_hz = 5.0
setup_s = 10.0
flasher_hours = 0.1
"""


def scenario(folder: Path, change: tuple[str, str] = ("", "")) -> Path:
    text = OWN + settings_to_toml(SETTINGS)
    assert change[0] in text
    (folder / "FIT.toml").write_text(FIT)
    path = folder / "scenario.toml"
    path.write_text(text.replace(*change, 1) if change[0] else text)
    return path


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    from typer.testing import CliRunner

    from iceopt.cli import app

    folder = tmp_path_factory.mktemp("plan")
    done = CliRunner().invoke(app, ["plan", str(scenario(folder)), "-o", str(folder / "out")])
    assert done.exit_code == 0, done.output
    return folder / "out", done.output


def test_the_flash_table_is_one_of_a_campaign(planned, tmp_path):
    """It is read by the reader of campaigns, with the site's modules and no counts."""
    folder, _ = planned
    (tmp_path / "campaign.toml").write_text(settings_to_toml(SETTINGS))
    modules = [f"{line}-{i + 1:02d},{line},{i + 1},{x},0,{1500 + 20 * i},1,ok"
               for line, x in (("A", 0), ("B", 70)) for i in range(6)]  # fmt: skip
    header = "module,line,slot,x_m,y_m,depth_m,relative_efficiency,state"
    (tmp_path / "modules.csv").write_text("\n".join([header, *modules]) + "\n")
    (tmp_path / "flashes.csv").write_bytes((folder / "flashes.csv").read_bytes())
    receiver = "B-03" if b"R001,A" in (folder / "flashes.csv").read_bytes() else "A-03"
    (tmp_path / "counts.csv").write_text(f"run,module,t_start_ns,count\nR001,{receiver},0,1\n")
    campaign = read_campaign(tmp_path)
    hours = np.sum(campaign.flashes.pulses / 5.0 + 10.0) / 3600.0
    assert 0.05 < hours <= 0.1
    assert campaign.flashes.run[0] == "R001"


def test_the_page_needs_nothing_else(planned):
    page = (planned[0] / "plan.html").read_text()

    class Look(HTMLParser):
        def __init__(self):
            super().__init__()
            self.sources, self.tags = [], []

        def handle_starttag(self, tag, attrs):
            self.tags.append(tag)
            self.sources += [value for key, value in attrs if key in ("src", "href")]

    look = Look()
    look.feed(page)
    assert all(s.startswith(("data:", "#")) for s in look.sources)
    assert "script" not in look.tags
    assert look.tags.count("img") == 4
    assert "licensed staff decide" in page


def test_the_terminal_prints_gains_and_cautions(planned):
    folder, text = planned
    gains = [float(line.split()[5]) for line in text.splitlines() if re.match(r"R\d+ ", line)]
    assert len(gains) == len((folder / "flashes.csv").read_text().splitlines()) - 1
    assert all(g > 0 for g in gains)
    assert "NOT CHECKED" in text
    assert "evenly spaced" in text


def test_forecast_tables_hold_every_layer_and_module(planned):
    layers = (planned[0] / "forecast_layers.csv").read_text().splitlines()
    modules = (planned[0] / "forecast_modules.csv").read_text().splitlines()
    assert len(layers) == 1 + 3
    assert len(modules) == 1 + 12
    first = dict(zip(layers[0].split(","), map(float, layers[1].split(",")), strict=True))
    assert 0 < first["scattering_length_relative_sd"] < first["scattering_length_relative_sd_prior"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("profile = [[1480, 20, 90], [1620, 25, 110]]", ""), r"\[ice\] needs one of .*found none"),
        (("profile = [[1480, 20, 90]", "profile = [[1620, 20, 90]"), "depths that increase"),
        (("[1620, 25, 110]", "[1620, -25, 110]"), "above 0 m"),
        (("every = 1\n", ""), r"\[flashes\] needs either every or emitters"),
        (("every = 1\n", 'emitters = ["C-01"]\n'), "'C-01', which is no module"),
        (("flasher_hours = 0.1\n", ""), "must be one number each; found 2 combinations"),
        (("flasher_hours = 0.1\n", "flasher_hours = 0.001\n"), "the shortest flash takes"),
        (("flasher_hours = 0.1\n", "flasher_hours = -1\n"), "flasher_hours is -1; expected a number above 0"),
        (("setup_s = 10.0\n", "setup_s = 10.0\ndepth_range_m = [0, 10]\n"), "holds none of the layers"),
        (("every = 1\n", "every = 1\nazimuths_deg = [400]\n"), "azimuths_deg.*400"),
        (('fit_config = "FIT.toml"', 'fit_config = "NO.toml"'), "NO.toml: cannot be read"),
        (('fit_config = "FIT.toml"', 'dead = ["A-99"]'), "dead names 'A-99'"),
        (('name = "B"', 'name = "A"'), "two lines are named 'A'"),
    ],
)
def test_bad_scenarios_are_one_sentence(tmp_path, change, message):
    with pytest.raises(InputError, match=message):
        read_plan_scenario(scenario(tmp_path, change))


def test_an_earlier_result_must_have_the_plans_layers(tmp_path):
    write_fake(tmp_path / "earlier.h5", Fake(layers=3, top_m=1500.0, thickness_m=40.0))
    edges = np.array([1500.0, 1540.0, 1580.0, 1620.0])
    information = result_information(tmp_path / "earlier.h5", edges)
    assert np.linalg.eigvalsh(information).min() > -1e-6
    assert np.all(np.diag(information) > 0)
    with pytest.raises(InputError, match="its 3 layers from 1500 to 1620 m are not the plan's 2"):
        result_information(tmp_path / "earlier.h5", edges[:3])


def test_a_result_gives_ice_and_errors(tmp_path):
    write_fake(tmp_path / "earlier.h5", Fake(layers=3, top_m=1500.0, thickness_m=40.0))
    found = read_plan_scenario(
        scenario(tmp_path, ("profile = [[1480, 20, 90], [1620, 25, 110]]", 'result = "earlier.h5"'))
    )
    # the fit's layers begin at 1480 m, so the first is all in the result's first, which has no end
    assert found.site.ice.edges_m[0] == 1480.0
    with Result(tmp_path / "earlier.h5") as result:
        medians = result.quantiles("scattering_length", [0.5])[0]
        pair = np.median(result.draws("ln_pair_error"))
    np.testing.assert_allclose(found.site.ice.scattering_length_m[0], medians[0], rtol=1e-9)
    assert found.site.errors[0] == pytest.approx(pair)


def test_sample_scenario_reads():
    found = read_plan_scenario(REPO / "sample_runs" / "skarv_plan" / "scenario.toml")
    assert found.site.ice.layers == 20
    assert found.candidates.size == 332
