"""The terminal summary: narrow enough, verdict first, marks in the rows where they belong."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.commands.show import WIDTH, summary
from iceopt.result.layers import read_layers
from iceopt.result.read import Result
from tests.fake_results import Fake, write_fake


def shown(path):
    with Result(path) as result:
        return summary(result)


@settings(max_examples=15, deadline=None)
@given(
    layers=st.integers(1, 80),
    top_m=st.floats(0, 4000).map(lambda x: round(x, 1)),
    thickness_m=st.sampled_from([0.5, 7.3, 50.0]),
    change=st.floats(-5, 6),
    unseen=st.integers(0, 3),
)
def test_lines_fit_the_terminal_whatever_the_ice(layers, top_m, thickness_m, change, unseen):
    fake = Fake(
        layers=layers, top_m=top_m, thickness_m=thickness_m, change=change, unseen=min(unseen, layers - 1),
        draws=20, lines=2, runs=4, bins=10,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        write_fake(Path(folder) / "fake.h5", fake)
        lines = shown(Path(folder) / "fake.h5")
    assert max(map(len, lines)) <= WIDTH


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("show") / "fake.h5"
    verdict = "NOT converged, do not use as final: the worst R-hat is 1.900"
    write_fake(path, Fake(layers=20, unseen=3, stuck=(4,), converged=False, verdict=verdict))
    return path


def test_verdict_is_the_second_line(path):
    lines = shown(path)
    assert lines[0] == "Skarv Dome 2031, 405 nm"
    assert lines[1].startswith("NOT converged")


def test_rows_are_marked(path):
    rows = [line for line in shown(path) if line[2:6].isdigit()]
    assert len(rows) == 20
    assert [i for i, row in enumerate(rows) if "!" in row[:2]] == [4]
    assert [i for i, row in enumerate(rows) if "p" in row[:2]] == [17, 18, 19]
    assert any(line.startswith("! not converged") for line in shown(path))


def test_picture_puts_the_median_to_scale(path):
    lines = shown(path)
    with Result(path) as result:
        q = read_layers(result).scattering.quantiles_m
    header = next(line for line in lines if "median" in line)
    start = header.index(" 0 ") + 1
    rows = [line for line in lines if line[2:6].isdigit()]
    found = np.array([row.index("o", start) - start for row in rows])
    np.testing.assert_array_equal(found, np.round(q[2] / q[4].max() * 17))
