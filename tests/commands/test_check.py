"""`iceopt check` and `iceopt convert` as a user meets them."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.synthetic import make_campaign


def iceopt(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "iceopt", *(str(word) for word in words)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, check=False, timeout=120)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("faulty") / "campaign"
    make_campaign(
        folder,
        silent=("L1-03",),
        noisy={"L2-06": 3e5},
        mistimed={"L3-04": 180.0},
        dead=("L2-02",),
        brightness={"R05": 0.0, "R09": 0.15},
        seed=5,
    )
    return folder


def test_table(faulty: Path) -> None:
    done = iceopt("check", faulty)
    assert done.returncode == 0
    assert done.stderr == ""
    for name, state in (("L1-03", "silent"), ("L2-06", "noisy"), ("L3-04", "mistimed"), ("L2-02", "dead")):
        assert any(f"module {name}" in line and state in line for line in done.stdout.splitlines())
    for name, state in (("R05", "dark"), ("R09", "weak")):
        assert any(f"run {name}" in line and state in line for line in done.stdout.splitlines())
    assert len(done.stdout.splitlines()) < 80


def test_json_alone(faulty: Path) -> None:
    done = iceopt("check", faulty, "--json")
    assert done.returncode == 0
    report = json.loads(done.stdout)
    assert report["campaign"] == str(faulty)
    assert {entry["module"]: entry["state"] for entry in report["modules"]} == {
        "L1-03": "silent",
        "L2-02": "dead",
        "L2-06": "noisy",
        "L3-04": "mistimed",
    }
    assert {entry["run"]: entry["state"] for entry in report["runs"]} == {"R05": "dark", "R09": "weak"}
    assert all(entry["reason"] for entry in report["modules"] + report["runs"])
    assert sum(report["pairs"]["left_out"].values()) == len(report["pairs"]["list"])
    assert 0 < report["usable"]["pairs"] < report["usable"]["of_pairs"]


def test_bad_campaign_is_one_sentence_and_exit_code_1(faulty: Path, tmp_path: Path) -> None:
    for path, extra in ((tmp_path, []), (tmp_path / "nowhere", ["--json"]), (faulty / "modules.csv", [])):
        done = iceopt("check", path, *extra)
        assert done.returncode == 1
        assert done.stdout == ""
        assert done.stderr.startswith(f"iceopt: {path}: ")
        assert done.stderr.count("\n") == 1
    done = iceopt("convert", tmp_path / "nowhere", "-o", tmp_path / "new.h5")
    assert (done.returncode, done.stdout) == (1, "")
    assert list(tmp_path.iterdir()) == []


def test_usage_errors_are_exit_code_2(faulty: Path) -> None:
    assert iceopt("check").returncode == 2
    assert iceopt("check", faulty, "--loud").returncode == 2


def test_convert_there_and_back(faulty: Path, tmp_path: Path) -> None:
    assert iceopt("convert", faulty, "-o", tmp_path / "one.h5").returncode == 0
    assert (
        iceopt("convert", tmp_path / "one.h5", "-o", tmp_path / "parquet", "--form", "parquet").returncode
        == 0
    )
    assert iceopt("convert", tmp_path / "parquet", "-o", tmp_path / "csv", "--form", "csv").returncode == 0
    for path in faulty.iterdir():
        assert path.read_bytes() == (tmp_path / "csv" / path.name).read_bytes()
    again = iceopt("convert", faulty, "-o", tmp_path / "csv", "--form", "csv")
    assert again.returncode == 1
    assert "exists already" in again.stderr


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, iceopt.cli;"
        "heavy = {'numpy', 'numba', 'polars', 'scipy', 'matplotlib', 'emcee', 'pandera'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
