"""The sample campaign is what the script cuts from the practice campaign, and small."""

import csv
import gzip
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_runs" / "skarv_demo"
SOURCE = ROOT.parent / "shared" / "campaigns" / "skarv_2031"


def test_sample_is_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLE.iterdir()) < 1_000_000


@pytest.mark.skipif(not SOURCE.exists(), reason="the practice campaigns are not beside the repository")
def test_sample_is_cut_from_the_practice_campaign(tmp_path: Path) -> None:
    command = [sys.executable, ROOT / "scripts" / "cut_campaign", SOURCE, tmp_path / "cut"]
    subprocess.run([*command, "--top-m", "1715", "--bottom-m", "2100"], check=True, capture_output=True)
    for name in ("modules.csv", "flashes.csv", "counts.csv.gz", "truth.json"):
        assert (tmp_path / "cut" / name).read_bytes() == (SAMPLE / name).read_bytes(), name
    # nothing was lost or invented on the way: each kept pair has all its rows
    runs, modules = _names("flashes.csv"), _names("modules.csv")
    wanted = [row for row in _rows(SOURCE) if row[0] in runs and row[1] in modules]
    assert wanted == _rows(tmp_path / "cut")


def _names(file: str) -> set[str]:
    return {line.split(",")[0] for line in (SAMPLE / file).read_text().splitlines()[1:]}


def _rows(folder: Path) -> list[tuple[str, str, float, int]]:
    with gzip.open(folder / "counts.csv.gz", "rt") as file:
        rows = csv.DictReader(file)
        return sorted(
            (row["run"], row["module"], float(row["t_start_ns"]), int(float(row["count"]))) for row in rows
        )
