"""compare at the command line: verdict, table and figures, from results and from plain layer tables."""

import json
import subprocess
import sys

import numpy as np
import polars as pl
import pytest

from iceopt.result.export import export_csv
from iceopt.result.read import Result
from tests.compare.seasons import EDGES_M, season, unchanged_truth
from tests.results import Drawn, write_drawn

CHANGED = slice(14, 17)


def iceopt(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "iceopt", *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip


def write(path, truth, rng, label, **more):
    coefficient = season(truth, rng).log_coefficient
    return write_drawn(path, Drawn(EDGES_M, *np.exp(-coefficient), season=label, **more))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("seasons")
    rng = np.random.default_rng(8)
    truth = unchanged_truth()
    later = truth.copy()
    later[0, CHANGED] += np.log(1.3)
    write(folder / "old.h5", truth, rng, "2040")
    write(folder / "same.h5", truth, rng, "2041")
    write(folder / "new.h5", later, rng, "2042")
    write(folder / "poor.h5", truth, rng, "2043", converged=False)
    write(folder / "green.h5", truth, rng, "2044", attributes={"wavelength_nm": 505.0})
    with Result(folder / "old.h5") as result:
        export_csv(result, "layers", folder / "old.csv")
    return folder


@pytest.fixture(scope="module")
def compared(folder):
    done = iceopt("compare", *(folder / n for n in ("old.h5", "new.h5", "same.h5")), "-o", folder / "out")
    return done, folder / "out"


def test_changed_band_is_named_and_the_unchanged_season_is_not(compared):
    done, out = compared
    assert done.returncode == 0, done.stderr
    new, same = json.loads((out / "verdict.json").read_text())
    assert (new["changed"], same["changed"]) == (True, False)
    (band,) = new["bands"]
    assert band["kind"] == "scattering"
    # Its edges to a layer: which of three layers stand out most is a matter of their errors.
    assert 1540.0 <= band["depth_top_m"] < band["depth_bottom_m"] <= 1570.0
    low, high = band["change_percent_95"]
    assert low < 100 * (1 / 1.3 - 1) < high
    assert new["joint_probability"] < 1e-3 < same["joint_probability"]
    assert new["verdict"] in done.stdout
    assert "no change found at a rate of 0.05" in done.stdout


def test_table_holds_every_layer_of_both_kinds_and_comparisons(compared):
    _, out = compared
    table = pl.read_csv(out / "changes.csv", comment_prefix="#")
    assert table.height == 2 * 2 * 30
    assert table.columns == [
        "old", "new", "kind", "depth_top_m", "depth_bottom_m", "log_change", "log_change_p2.5",
        "log_change_p16", "log_change_p84", "log_change_p97.5", "probability", "q", "changed",
    ]  # fmt: skip
    lines = (out / "changes.csv").read_text().splitlines()
    assert lines[0].startswith("# log_change: ln(new length / old length)")
    assert ((table["q"] <= 0.05).cast(int) == table["changed"]).all()


def test_figures_are_drawn(compared):
    _, out = compared
    written = {p.name for p in out.iterdir()}
    names = {"profiles", "change_1", "change_2"}
    assert written == {f"{n}.{s}" for n in names for s in ("pdf", "png")} | {"changes.csv", "verdict.json"}


def test_a_layer_table_of_a_prior_season_will_do(folder, tmp_path):
    done = iceopt("compare", folder / "old.csv", folder / "new.h5", "-o", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    (verdict,) = json.loads((tmp_path / "out" / "verdict.json").read_text())
    assert any(b["kind"] == "scattering" and 1540 <= b["depth_top_m"] < 1570 for b in verdict["bands"])
    assert any("layers are taken as independent" in note for note in verdict["notes"])
    symmetric = tmp_path / "symmetric.csv"
    table = pl.read_csv(folder / "old.csv", comment_prefix="#")
    table.select(
        "depth_top_m", "depth_bottom_m", "scattering_length_m", "absorption_length_m",
        (pl.col("scattering_length_m") * 0.05).alias("scattering_length_sd_m"),
        (pl.col("absorption_length_m") * 0.05).alias("absorption_length_sd_m"),
    ).write_csv(symmetric)  # fmt: skip
    done = iceopt("compare", symmetric, folder / "same.h5", "-o", tmp_path / "again")
    assert done.returncode == 0, done.stderr
    assert "names no wavelength" in done.stdout


def test_a_fit_that_did_not_converge_makes_the_verdict_not_final(folder, tmp_path):
    done = iceopt("compare", folder / "old.h5", folder / "poor.h5", "-o", tmp_path / "out")
    assert done.stdout.startswith(f"NOT final ({folder / 'poor.h5'}: it has NOT converged)")
    (verdict,) = json.loads((tmp_path / "out" / "verdict.json").read_text())
    assert verdict["final"] is False
    assert "# NOT final" in (tmp_path / "out" / "changes.csv").read_text()


def test_bad_input_is_one_sentence_and_nothing_is_written(folder, tmp_path):
    bare = tmp_path / "bare.csv"
    bare.write_text("depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m\n1400,1410,20,100\n")
    negative = tmp_path / "negative.csv"
    header = "depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m,scattering_length_sd_m"
    negative.write_text(f"{header},absorption_length_sd_m\n1400,1410,20,100,-1,5\n")
    for other, words in (
        (folder / "green.h5", "compare at one wavelength"),
        (bare, "has no errors of scattering_length_m; expected column scattering_length_sd_m"),
        (negative, "row 2: the error of scattering_length_m is not positive"),
        (tmp_path / "none.h5", "there is no such file"),
    ):
        done = iceopt("compare", folder / "old.h5", other, "-o", tmp_path / "out")
        assert done.returncode == 1, done.stderr
        assert words in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
        assert not (tmp_path / "out").exists()
