"""Results merged: every draw once, judged together; what is not of one fit is refused."""

import copy
import dataclasses
import json
from datetime import UTC, datetime

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from iceopt.cli import app
from iceopt.errors import InputError
from iceopt.fit.convergence import diagnose
from iceopt.result.merge import merge_results
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import fitted


def some(value, rows):
    """Rows of the second dimension of every array in a value."""
    if isinstance(value, np.ndarray):
        return value[:, rows]
    if isinstance(value, list | tuple):
        return type(value)(some(entry, rows) for entry in value)
    if dataclasses.is_dataclass(value):
        parts = {field.name: some(getattr(value, field.name), rows) for field in dataclasses.fields(value)}
        return dataclasses.replace(value, **parts)
    return value


def piece(path, seed, rows, **changes):
    """Write some draws of the small fit as if they were a fit of another seed."""
    outcome = fitted()[0]
    problem = copy.copy(outcome.problem)
    problem.config = problem.config.with_options(seed=seed)
    corrected = some(outcome.corrected, rows)
    found = diagnose(corrected.draws)
    other = {"problem": problem, "corrected": corrected, "diagnostics": found, "converged": found.good}
    written = dataclasses.replace(outcome, **other | changes)
    write_result(
        path, written, ["iceopt", "fit", f"--seed={seed}"], datetime(2040, 1, seed, tzinfo=UTC), ["s"]
    )
    return path


@pytest.fixture(scope="module")
def pieces(tmp_path_factory):
    """Two halves of the small fit; the second has ten draws more."""
    folder = tmp_path_factory.mktemp("pieces")
    half = fitted()[0].corrected.draws.shape[1] // 2
    return [
        piece(folder / "one.h5", 1, slice(0, half)),
        piece(folder / "two.h5", 2, slice(half - 10, 2 * half)),
    ]


@pytest.fixture(scope="module")
def merged(pieces):
    path = pieces[0].with_name("merged.h5")
    merge_results(pieces, path, ["iceopt", "merge", "one.h5", "two.h5"])
    return path


def test_every_draw_is_there_and_nothing_else_changed(pieces, merged):
    draws = fitted()[0].corrected.draws
    half = draws.shape[1] // 2
    with Result(merged) as result, Result(pieces[0]) as one:
        result.verify()
        expected = np.exp(np.concatenate([draws[:, :half, :3], draws[:, half : 2 * half, :3]]))
        np.testing.assert_array_equal(result.values("posterior", "scattering_length"), expected)
        np.testing.assert_array_equal(result.values("posterior", "chain"), np.arange(4))
        np.testing.assert_array_equal(
            result.values("sample_stats", "lp")[:2], one.values("sample_stats", "lp")
        )
        for name in one.names("constant_data"):
            np.testing.assert_array_equal(
                result.values("constant_data", name), one.values("constant_data", name)
            )
        for name in one.names("posterior_predictive"):  # both halves were given the same prediction
            np.testing.assert_allclose(
                result.values("posterior_predictive", name),
                one.values("posterior_predictive", name),
                rtol=1e-6,
            )


def test_the_verdict_is_that_of_all_chains(merged):
    draws = fitted()[0].corrected.draws
    half = draws.shape[1] // 2
    found = diagnose(np.concatenate([draws[:, :half], draws[:, half : 2 * half]]))
    with Result(merged) as result:
        assert result.attribute("worst_rhat") == pytest.approx(found.worst_rhat, abs=1e-9)
        assert result.attribute("least_ess") == pytest.approx(found.least_ess, rel=1e-6)
        assert result.converged == found.good
        assert result.verdict.startswith("converged: 2 fits of" if found.good else "NOT converged")


def test_two_that_are_too_short_make_one_that_has_converged(tmp_path):
    """Independent draws: 300 a fit are fewer than 400 effective ones, 600 are more."""
    random = np.random.default_rng(9)
    outcome = fitted()[0]
    size = (2, 150, outcome.corrected.draws.shape[2])
    for seed in (1, 2):
        corrected = dataclasses.replace(
            some(outcome.corrected, slice(0, 150)), draws=random.normal(size=size)
        )
        path = piece(tmp_path / f"{seed}.h5", seed, slice(None), corrected=corrected)
    with Result(path) as one:
        assert not diagnose(corrected.draws).good
        assert one.attribute("seed") == 2
    merged = merge_results([tmp_path / "1.h5", path], tmp_path / "merged.h5", ["iceopt"])
    assert merged.converged
    assert merged.verdict.startswith("converged: 2 fits of different seeds, merged; worst R-hat")


def test_diagnostics_are_those_that_arviz_finds_in_the_merged_file(merged):
    arviz = pytest.importorskip("arviz")
    data = arviz.from_netcdf(str(merged))
    logs = np.log(np.asarray(data.posterior["absorption_length"]))
    with Result(merged) as result:
        names = list(result.values("diagnostics", "parameter"))
        at = [names.index(f"ln_absorption_length[{i}]") for i in range(3)]
        for i, place in enumerate(at):
            rhat, size = arviz.rhat(logs[:, :, i]), arviz.ess(logs[:, :, i], method="bulk")
            assert result.values("diagnostics", "rhat")[place] == pytest.approx(float(rhat), rel=1e-6)
            assert result.values("diagnostics", "ess_bulk")[place] == pytest.approx(float(size), rel=0.02)


def test_provenance_names_every_piece(pieces, merged):
    with Result(merged) as result:
        origin = result.attribute("pieces")
        assert [p["seed"] for p in origin] == list(result.attribute("seed")) == [1, 2]
        assert [p["file"] for p in origin] == ["one.h5", "two.h5"]
        assert [p["command_line"] for p in origin] == ["iceopt fit --seed=1", "iceopt fit --seed=2"]
        assert result.attribute("command_line") == "iceopt merge one.h5 two.h5"
        assert result.attribute("started_at").startswith("2040-01-01")
        assert result.attribute("duration_s") == pytest.approx(2 * fitted()[0].duration_s)
    for path, one in zip(pieces, origin, strict=True):
        with h5py.File(path) as file:
            assert one["content_sha256"] == file.attrs["content_sha256"]
            assert one["chains_and_draws"] == list(file["sample_stats/lp"].shape)


def test_what_more_chains_do_not_mend_stands(pieces, tmp_path):
    bad = piece(tmp_path / "bad.h5", 3, slice(None), standing=("the climb stopped 7 below the maximum",))
    merged = merge_results([pieces[0], bad], tmp_path / "merged.h5", ["iceopt"])
    assert not merged.converged
    assert "seed 3: the climb stopped 7 below the maximum" in merged.verdict
    with Result(tmp_path / "merged.h5") as result:
        assert not result.converged


def test_chains_that_disagree_are_seen(pieces, tmp_path):
    outcome = fitted()[0]
    shifted = dataclasses.replace(outcome.corrected, draws=outcome.corrected.draws + 0.3)
    problem = copy.copy(outcome.problem)
    problem.config = problem.config.with_options(seed=4)
    away = dataclasses.replace(outcome, corrected=shifted, problem=problem)
    write_result(tmp_path / "away.h5", away, ["iceopt"], datetime.now(UTC), ["s"])
    merged = merge_results([pieces[0], tmp_path / "away.h5"], tmp_path / "merged.h5", ["iceopt"])
    assert not merged.converged
    assert "the worst R-hat is" in merged.verdict


def edited(path, source, change):
    path.write_bytes(source.read_bytes())
    from iceopt.result.checksum import ATTRIBUTE, content_sha256

    with h5py.File(path, "r+") as file:
        change(file)
        file.attrs[ATTRIBUTE] = content_sha256(file)
    return path


def test_other_fits_are_refused(pieces, merged, tmp_path):
    def with_setting(file):
        settings = json.loads(file.attrs["configuration"])
        settings["error"]["least_pair"] = 0.5
        file.attrs["configuration"] = json.dumps(settings)

    cases = {
        "configuration": with_setting,
        "input": lambda file: file.attrs.__setitem__("input_sha256", json.dumps({"s": {"counts.csv": "0"}})),
        "version of iceopt": lambda file: file.attrs.__setitem__("versions", json.dumps({"iceopt": "0"})),
        "light model": lambda file: file.attrs.__setitem__("light_model", "another"),
    }
    for what, change in cases.items():
        other = edited(tmp_path / "other.h5", pieces[1], change)
        with pytest.raises(InputError, match=f"is of another {what} than .*one.h5"):
            merge_results([pieces[0], other], tmp_path / "m.h5", ["iceopt"])
    with pytest.raises(InputError, match="has the seed 1 of"):
        merge_results([pieces[0], edited(tmp_path / "same.h5", pieces[0], len)], tmp_path / "m.h5", [])
    with pytest.raises(InputError, match="is merged itself"):
        merge_results([pieces[0], merged], tmp_path / "m.h5", ["iceopt"])
    with pytest.raises(InputError, match="two results or more"):
        merge_results(pieces[:1], tmp_path / "m.h5", ["iceopt"])
    assert not (tmp_path / "m.h5").exists()


def test_the_command_writes_it_and_says_the_verdict(pieces, tmp_path):
    out = tmp_path / "m.h5"
    done = CliRunner().invoke(app, ["merge", *map(str, pieces), "-o", str(out)])
    with Result(out) as result:
        assert done.exit_code == (0 if result.converged else 3), done.output
        assert done.output.strip() == f"{out}: {result.verdict}"
    assert [p.name for p in tmp_path.iterdir()] == ["m.h5"]
    shown = CliRunner().invoke(app, ["show", str(out)])
    assert shown.exit_code == 0
