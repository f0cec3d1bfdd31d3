"""Two campaigns of one site from their folders to one result, and all that is made of it."""

import csv
from dataclasses import replace

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from iceopt.campaign.write import write_campaign_folder
from iceopt.cli import app
from iceopt.result.read import Result
from tests.synthetic import draw_campaign, two_layers_toml

CONFIG = two_layers_toml(kind="laplace", ensembles=2, draws=60)


def iceopt(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Campaigns of 2040 and 2041: the latter has a module less, one more, and fewer flashes."""
    folder = tmp_path_factory.mktemp("joint")
    usual = {"modules_per_line": 6, "line_spacing_m": 110.0, "photons_per_pulse": 2e9}
    first, _ = draw_campaign(**usual)
    second, _ = draw_campaign(**usual, flash_every=4, seed=3, dead=("L1-02",))
    names = tuple("L9-99" if name == "L3-06" else name for name in second.modules.name)
    second = replace(
        second,
        settings=replace(second.settings, season="2041"),
        modules=replace(second.modules, name=names),
    )
    for campaign, season in ((first, "2040"), (second, "2041")):
        write_campaign_folder(campaign, folder / season)
    (folder / "fit.toml").write_text(CONFIG)
    done = iceopt(
        "fit", folder / "2040", folder / "2041", "-o", folder / "both.h5", "--config", folder / "fit.toml"
    )
    assert done.exit_code in (0, 3), done.output
    return folder


def test_result_holds_shared_things_once_and_own_ones_by_campaign(folder):
    with h5py.File(folder / "both.h5") as file:
        assert "efficiency" in file["posterior"]
        assert "brightness" not in file["posterior"]
        assert "observed_data" not in file
        for name in ("campaign_1", "campaign_2"):
            assert {"posterior", "observed_data", "posterior_predictive", "constant_data"} <= set(file[name])
            assert "efficiency" not in file[name]["posterior"]
    with Result(folder / "both.h5") as result:
        result.verify()
        assert result.attribute("season") == "2040 + 2041"
        views = result.campaigns()
        assert [view.attribute("season") for view in views] == ["2040", "2041"]
        modules = list(result.values("posterior", "module"))
        assert {"L3-06", "L9-99", "L1-02"} <= set(modules)
        offsets = [view.draws("time_offset") for view in views]
        # A clock offset only where the module was in the campaign.
        for name, there in (("L1-02", (True, False)), ("L9-99", (False, True)), ("L2-03", (True, True))):
            assert tuple(np.isfinite(o[:, modules.index(name)]).all() for o in offsets) == there
        np.testing.assert_allclose(result.draws("efficiency").mean(axis=1), 1.0)
        counts = [view.shape("observed_data", "counts")[0] for view in views]
        assert counts == [view.shape("constant_data", "pair_run")[0] for view in views]
        assert counts[0] > counts[1]


def test_show_and_report_say_which_campaign(folder):
    shown = iceopt("show", folder / "both.h5")
    assert shown.exit_code == 0
    assert "Skarv Dome 2040 + 2041" in shown.output
    assert "Left out of 2041: modules: 1 dead" in shown.output
    assert iceopt("report", folder / "both.h5", "-o", folder / "page.html").exit_code in (0, 3)
    page = (folder / "page.html").read_text()
    assert "2041: L9-99" in page
    assert "2040: R01" in page
    assert "2040: Do the counts agree" in page


def test_figures_are_drawn_for_each_campaign(folder):
    done = iceopt("plot", folder / "both.h5", "-o", folder / "plots", "--only", "pulls", "--only", "dust")
    assert done.exit_code == 0
    assert {p.name for p in (folder / "plots").glob("*.png")} == {"pulls_1.png", "pulls_2.png", "dust.png"}


def test_tables_name_the_season(folder):
    for what, key in (("modules", "module"), ("runs", "run")):
        assert iceopt("export", folder / "both.h5", "-o", folder / "t.csv", "--what", what).exit_code == 0
        lines = [s for s in (folder / "t.csv").read_text().splitlines() if not s.startswith("#")]
        rows = list(csv.DictReader(lines))
        assert {row["season"] for row in rows} == {"2040", "2041"}
        assert rows[0][key]
    assert iceopt("export", folder / "both.h5", "-o", folder / "l.csv", "--what", "layers").exit_code == 0


def test_fits_of_two_seeds_are_merged_campaign_by_campaign(folder):
    seasons = [folder / "2040", folder / "2041"]
    options = ["--config", folder / "fit.toml", "--seed", "2", "-o", folder / "again.h5"]
    assert iceopt("fit", *seasons, *options).exit_code in (0, 3)
    done = iceopt("merge", folder / "both.h5", folder / "again.h5", "-o", folder / "merged.h5")
    assert done.exit_code in (0, 3), done.output
    paths = [folder / name for name in ("both.h5", "again.h5", "merged.h5")]
    with Result(paths[0]) as one, Result(paths[1]) as other, Result(paths[2]) as merged:
        merged.verify()
        assert merged.attribute("season") == one.attribute("season")
        draws = min(r.shape("sample_stats", "lp")[1] for r in (one, other))
        assert merged.shape("sample_stats", "lp") == (4, draws)
        for result, first, second in zip(
            [merged, *merged.campaigns()],
            [one, *one.campaigns()],
            [other, *other.campaigns()],
            strict=True,
        ):
            for name in first.names("posterior"):
                values = [r.values("posterior", name) for r in (result, first, second)]
                if name in ("chain", "draw"):
                    continue
                if values[1].ndim == 1:
                    np.testing.assert_array_equal(values[0], values[1])
                else:
                    both = np.concatenate([v[:, -draws:] for v in values[1:]])
                    np.testing.assert_array_equal(values[0], both)
        for result, first, second in zip(*(r.campaigns() for r in (merged, one, other)), strict=True):
            assert result.attribute("season") == first.attribute("season")
            counts, mean = ("observed_data", "counts"), ("posterior_predictive", "counts_mean")
            np.testing.assert_array_equal(result.values(*counts), first.values(*counts))
            np.testing.assert_allclose(
                result.values(*mean), 0.5 * (first.values(*mean) + second.values(*mean)), rtol=1e-5
            )
    assert iceopt("show", paths[2]).exit_code == 0
    swapped = [folder / "2041", folder / "2040", *options[:4], "-o", folder / "swapped.h5"]
    assert iceopt("fit", *swapped).exit_code in (0, 3)
    done = iceopt("merge", folder / "both.h5", folder / "swapped.h5", "-o", folder / "m.h5")
    assert done.exit_code == 1
    assert "is of another input" in str(done.exception or done.output)


def test_compare_takes_it(folder):
    done = iceopt("compare", folder / "both.h5", folder / "both.h5", "-o", folder / "changes")
    assert done.exit_code == 0, done.output
