"""What is read is what the files hold, in every form; and the form can be changed without loss."""

import gzip
import hashlib
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.campaign.model import Campaign
from iceopt.campaign.read import read_campaign
from iceopt.campaign.settings import settings_from_toml, settings_to_toml
from iceopt.campaign.write import frames_of, write_campaign_folder, write_campaign_hdf5
from iceopt.errors import InputError
from tests.campaign.naive import as_naive, naive_folder
from tests.synthetic import draw_campaign

PRACTICE = Path(__file__).parents[3] / "shared" / "campaigns"


def assert_equal(one: Campaign, other: Campaign) -> None:
    assert one.settings == other.settings
    for part in ("modules", "flashes"):
        for name, value in vars(getattr(one, part)).items():
            np.testing.assert_array_equal(value, getattr(getattr(other, part), name), err_msg=name)
    for name in ("pair_run", "pair_module", "counts"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    assert one.counts.dtype == other.counts.dtype == np.int32


@pytest.fixture(scope="module", params=["isotropic", "single"])
def campaign(request: pytest.FixtureRequest) -> Campaign:
    return draw_campaign(pattern=request.param, dead=("L2-03",), half_window_m=40.0)[0]


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz", ".parquet"])
@pytest.mark.parametrize("counts_suffix", [".csv", ".csv.gz", ".parquet"])
def test_folder_reads_back(campaign: Campaign, tmp_path: Path, suffix: str, counts_suffix: str) -> None:
    write_campaign_folder(campaign, tmp_path / "copy", suffix, counts_suffix)
    assert_equal(read_campaign(tmp_path / "copy"), campaign)


def test_forms_convert_in_a_round(campaign: Campaign, tmp_path: Path) -> None:
    write_campaign_folder(campaign, tmp_path / "csv")
    write_campaign_hdf5(read_campaign(tmp_path / "csv"), tmp_path / "one.h5")
    write_campaign_folder(read_campaign(tmp_path / "one.h5"), tmp_path / "parquet", ".parquet", ".parquet")
    write_campaign_folder(read_campaign(tmp_path / "parquet"), tmp_path / "again")
    for path in (tmp_path / "csv").iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_agrees_with_a_naive_reader(campaign: Campaign, tmp_path: Path) -> None:
    write_campaign_folder(campaign, tmp_path / "csv")
    assert as_naive(read_campaign(tmp_path / "csv")) == naive_folder(tmp_path / "csv")


def test_missing_is_not_zero(campaign: Campaign) -> None:
    """A pair for each live module in the window, ends included, but for the emitter's own: no other."""
    modules, flashes = campaign.modules, campaign.flashes
    wanted = {
        (i, j)
        for i in range(len(flashes.run))
        for j in range(len(modules.name))
        if modules.alive[j]
        and flashes.readout_top_m[i] <= modules.position_m[j, 2] <= flashes.readout_bottom_m[i]
        and j != flashes.emitter[i]
    }
    assert set(zip(campaign.pair_run.tolist(), campaign.pair_module.tolist(), strict=True)) == wanted
    assert campaign.read_out.sum() == len(wanted) < campaign.read_out.size


def test_hashes_are_of_the_files(small_campaign: Path) -> None:
    hashes = read_campaign(small_campaign).sha256
    assert set(hashes) == {"campaign.toml", "modules.csv", "flashes.csv", "counts.csv.gz"}
    for name, digest in hashes.items():
        assert digest == hashlib.sha256((small_campaign / name).read_bytes()).hexdigest()


def test_tables_of_other_programs_are_read(small_campaign: Path, tmp_path: Path) -> None:
    """Quoted names, a byte-order mark, CRLF line ends, '4e2' and '400.0' for 400: all are common."""
    folder = tmp_path / "copy"
    shutil.copytree(small_campaign, folder)
    quoted = pl.read_csv(folder / "modules.csv").write_csv(quote_style="non_numeric").replace("\n", "\r\n")
    (folder / "modules.csv").write_bytes(b"\xef\xbb\xbf" + quoted.encode())
    flashes = (folder / "flashes.csv").read_text()
    (folder / "flashes.csv").write_text(flashes.replace(",200,", ",2e2,") + "\n\n")
    rows = gzip.decompress((folder / "counts.csv.gz").read_bytes()).decode().splitlines()
    (folder / "counts.csv.gz").unlink()
    header, *rows = rows
    (folder / "counts.csv").write_text("\n".join([header, *(row + ".0" for row in rows[::-1])]))
    assert_equal(read_campaign(folder), read_campaign(small_campaign))


def test_numbers_survive_text_exactly(campaign: Campaign, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    object.__setattr__(
        campaign.flashes, "photons_per_pulse", 10.0 ** rng.uniform(1, 20, len(campaign.flashes.run))
    )
    write_campaign_folder(campaign, tmp_path / "csv")
    write_campaign_hdf5(campaign, tmp_path / "one.h5")
    for path in (tmp_path / "csv", tmp_path / "one.h5"):
        back = read_campaign(path).flashes.photons_per_pulse
        np.testing.assert_array_equal(back, campaign.flashes.photons_per_pulse)


TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))


@given(site=TEXT.filter(bool), season=TEXT.filter(bool), note=TEXT)
@settings(max_examples=100, deadline=None)
def test_any_text_survives(site: str, season: str, note: str) -> None:
    campaign = draw_campaign(lines=1, modules_per_line=2)[0]
    wanted = replace(campaign.settings, site=site, season=season, note=note)
    assert settings_from_toml(settings_to_toml(wanted), "campaign.toml") == wanted
    with tempfile.TemporaryDirectory() as parent:
        write_campaign_hdf5(replace(campaign, settings=wanted), Path(parent) / "one.h5")
        assert read_campaign(Path(parent) / "one.h5").settings == wanted


def test_nothing_half_written(campaign: Campaign, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "file").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        write_campaign_folder(campaign, tmp_path / "there")
    (tmp_path / "blocked").write_text("a file, no folder")
    with pytest.raises(InputError, match="cannot be written"):
        write_campaign_hdf5(campaign, tmp_path / "blocked" / "one.h5")
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["blocked", "file", "there"]


def test_zero_counts_have_no_row(campaign: Campaign) -> None:
    counts = frames_of(campaign)["counts"]
    assert counts["count"].min() > 0
    assert counts["count"].sum() == campaign.counts.sum()


@pytest.mark.skipif(not PRACTICE.exists(), reason="the practice campaigns are not beside the repository")
def test_a_large_campaign_reads_fast() -> None:
    start = time.perf_counter()
    campaign = read_campaign(PRACTICE / "skarv_2031")
    assert campaign.counts.shape == (11317, 140)
    assert time.perf_counter() - start < 5  # 0.2-0.5 s alone; generous, as other work may share the cores
