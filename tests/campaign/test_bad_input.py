"""Each way in which a campaign can be wrong gives one sentence with file, row and column."""

import gzip
import shutil
from collections.abc import Callable
from pathlib import Path

import h5py
import polars as pl
import pytest

from iceopt.campaign.read import read_campaign
from iceopt.campaign.write import write_campaign_hdf5
from iceopt.errors import InputError

COUNTS = "counts.csv"


@pytest.fixture
def folder(small_campaign: Path, tmp_path: Path) -> Path:
    """A copy to break, with the counts unzipped so that rows can be edited."""
    target = tmp_path / "broken"
    shutil.copytree(small_campaign, target)
    zipped = target / "counts.csv.gz"
    (target / COUNTS).write_bytes(gzip.decompress(zipped.read_bytes()))
    zipped.unlink()
    return target


def message(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_campaign(path)
    text = str(caught.value)
    assert "\n" not in text
    assert len(text) < 600
    return text


def edit(path: Path, row: int, change: Callable[[list[str]], None]) -> list[str]:
    """Change the cells of one row (the header is row 1); give the row as it was."""
    lines = path.read_text().splitlines()
    cells = lines[row - 1].split(",")
    before = list(cells)
    change(cells)
    lines[row - 1] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n")
    return before


def put(column: int, text: str) -> Callable[[list[str]], None]:
    def change(cells: list[str]) -> None:
        cells[column] = text

    return change


@pytest.mark.parametrize(
    ("file", "row", "column", "cell", "found", "expected"),
    [
        ("modules.csv", 4, "module", "", "nothing", "a value"),
        ("modules.csv", 4, "module", " L9", "' L9'", "without blanks"),
        ("modules.csv", 4, "slot", "1.5", "'1.5'", "a whole number"),
        ("modules.csv", 4, "slot", "-1", "'-1'", "a whole number"),
        ("modules.csv", 5, "x_m", "nan", "'nan'", "metres"),
        ("modules.csv", 5, "y_m", "inf", "'inf'", "metres"),
        ("modules.csv", 6, "depth_m", "-1500", "'-1500'", "positive down"),
        ("modules.csv", 6, "depth_m", "deep", "'deep'", "metres"),
        ("modules.csv", 7, "relative_efficiency", "0", "'0'", "above 0"),
        ("modules.csv", 25, "state", "fine", "'fine'", "'ok' or 'dead'"),
        ("flashes.csv", 2, "emitter", "L9-99", "'L9-99'", "modules table"),
        ("flashes.csv", 3, "photons_per_pulse", "-1e9", "'-1e9'", "above 0"),
        ("flashes.csv", 3, "photons_per_pulse", "1e999", "'1e999'", "above 0"),
        ("flashes.csv", 4, "pulses", "0", "'0'", "1 or more"),
        ("flashes.csv", 4, "pulses", "2.5", "'2.5'", "1 or more"),
        ("flashes.csv", 5, "readout_top_m", "1e9", "'1e9'", "metres"),
        (COUNTS, 2, "run", "R99", "'R99'", "flashes table"),
        (COUNTS, 3, "module", "L9-99", "'L9-99'", "modules table"),
        (COUNTS, 4, "t_start_ns", "12", "'12'", "start of a bin"),
        (COUNTS, 4, "t_start_ns", "3000", "'3000'", "start of a bin"),
        (COUNTS, 4, "t_start_ns", "-525", "'-525'", "start of a bin"),
        (COUNTS, 4, "t_start_ns", "nan", "'nan'", "start of a bin"),
        (COUNTS, 4, "t_start_ns", "0x10", "'0x10'", "start of a bin"),
        (COUNTS, 5, "count", "-3", "'-3'", "a whole number"),
        (COUNTS, 5, "count", "2.5", "'2.5'", "a whole number"),
        (COUNTS, 5, "count", "many", "'many'", "a whole number"),
        (COUNTS, 5, "count", "inf", "'inf'", "a whole number"),
        (COUNTS, 5, "count", "2147483648", "'2147483648'", "to 2147483647"),
        (COUNTS, 5, "count", "1_000", "'1_000'", "a whole number"),
        (COUNTS, 5, "count", "١", "'١'", "a whole number"),
        (COUNTS, 5, "count", "", "nothing", "a value"),
    ],
)
def test_bad_cell(
    folder: Path, file: str, row: int, column: str, cell: str, found: str, expected: str
) -> None:
    header = (folder / file).read_text().splitlines()[0].split(",")
    edit(folder / file, row, put(header.index(column), cell))
    text = message(folder)
    assert f"{folder / file}, row {row}, column '{column}'" in text
    assert f"found {found}" in text
    assert expected in text.partition("expected")[2]


def test_first_of_several_bad_cells_is_named(folder: Path) -> None:
    for row in (30, 9, 17):
        edit(folder / COUNTS, row, put(3, "-1"))
    assert "row 9, column 'count'" in message(folder)
    assert "2 more" in message(folder)


def rename(header: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        lines = path.read_text().splitlines()
        path.write_text("\n".join([header, *lines[1:]]) + "\n")

    return change


MODULES_HEADER = "module,line,slot,x_m,y_m,depth_m,relative_efficiency,state"


@pytest.mark.parametrize(
    ("header", "column", "said"),
    [
        (MODULES_HEADER.replace("depth_m", "depth_ft"), "depth_ft", "expected 'depth_m'; convert the unit"),
        (MODULES_HEADER.replace("state", "status"), "state", "is missing"),
        (MODULES_HEADER.replace("slot", "Slot"), "slot", "is missing"),
        (MODULES_HEADER.replace("x_m", "y_m"), "y_m", "twice"),
        (MODULES_HEADER.replace("x_m", ""), "''", "not at all"),
    ],
)
def test_bad_header(folder: Path, header: str, column: str, said: str) -> None:
    rename(header)(folder / "modules.csv")
    text = message(folder)
    assert f"{folder / 'modules.csv'}, row 1" in text
    assert column in text
    assert said in text


def test_unknown_column(folder: Path) -> None:
    path = folder / COUNTS
    path.write_text("\n".join(f"{line},x" for line in path.read_text().splitlines()))
    assert f"{path}, row 1, column 'x': is not known" in message(folder)


@pytest.mark.parametrize("file", ["modules.csv", "flashes.csv", COUNTS])
@pytest.mark.parametrize(("content", "said"), [(b"", "is empty"), (None, "holds no rows")])
def test_empty_table(folder: Path, file: str, content: bytes | None, said: str) -> None:
    path = folder / file
    path.write_bytes(content if content is not None else path.read_bytes().split(b"\n")[0] + b"\n")
    text = message(folder)
    assert str(path) in text
    assert said in text


def test_repeated_names_and_rows(folder: Path) -> None:
    edit(folder / "modules.csv", 9, put(0, "L1-01"))
    assert "modules.csv, row 9, column 'module': found 'L1-01'" in message(folder)


def test_repeated_run(folder: Path) -> None:
    edit(folder / "flashes.csv", 5, put(0, "R01"))
    assert "flashes.csv, row 5, column 'run': found 'R01'" in message(folder)


def test_repeated_count(folder: Path) -> None:
    path = folder / COUNTS
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines, lines[6]]))
    text = message(folder)
    assert f"{path}, row {len(lines) + 1}, column 't_start_ns'" in text
    assert "once" in text


def test_two_modules_in_one_place(folder: Path) -> None:
    lines = (folder / "modules.csv").read_text().splitlines()
    edit(folder / "modules.csv", 12, lambda cells: cells.__setitem__(slice(3, 6), lines[3].split(",")[3:6]))
    text = message(folder)
    assert "modules.csv, row 12, columns 'x_m', 'y_m', 'depth_m'" in text
    assert "(row 4)" in text


def test_window_upside_down(folder: Path) -> None:
    edit(folder / "flashes.csv", 4, lambda cells: cells.__setitem__(slice(4, 6), ["1800", "1400"]))
    assert "flashes.csv, row 4, column 'readout_bottom_m': found '1400'" in message(folder)


def test_nothing_read_out(folder: Path) -> None:
    for row in range(2, 14):
        edit(folder / "flashes.csv", row, lambda cells: cells.__setitem__(slice(4, 6), ["1", "2"]))
    assert "no run reads out any module" in message(folder)


def test_counts_of_a_dead_module(folder: Path) -> None:
    module = (folder / COUNTS).read_text().splitlines()[1].split(",")[1]
    row = next(
        i for i, line in enumerate((folder / "modules.csv").read_text().splitlines()) if module in line
    )
    edit(folder / "modules.csv", row + 1, put(7, "dead"))
    text = message(folder)
    assert f"{COUNTS}, row 2, column 'module': found '{module}'" in text
    assert "'dead'" in text


def test_counts_outside_the_window(folder: Path) -> None:
    edit(folder / "flashes.csv", 2, lambda cells: cells.__setitem__(slice(4, 6), ["1500", "1520"]))
    text = message(folder)
    assert f"{COUNTS}, row " in text
    assert "column 'module'" in text
    assert "readout window" in text


def test_counts_of_the_emitter_itself(folder: Path) -> None:
    emitter = (folder / "flashes.csv").read_text().splitlines()[1].split(",")[1]
    edit(folder / COUNTS, 2, put(1, emitter))
    text = message(folder)
    assert f"{COUNTS}, row 2, column 'module': found '{emitter}'" in text
    assert "own emitter" in text


def test_azimuth_only_for_single_leds(folder: Path) -> None:
    path = folder / "flashes.csv"
    header, *lines = path.read_text().splitlines()
    path.write_text("\n".join([f"{header},azimuth_deg", *(f"{line},120" for line in lines)]))
    assert "row 1, column 'azimuth_deg': only emitters of pattern 'single'" in message(folder)
    toml = (folder / "campaign.toml").read_text()
    (folder / "campaign.toml").write_text(toml.replace('"isotropic"', '"single"'))
    assert (read_campaign(folder).flashes.azimuth_deg == 120).all()
    path.write_text("\n".join([header, *lines]))
    assert "row 1, column 'azimuth_deg': is missing" in message(folder)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("group_index = 1.337", "", "[optics] group_index is missing"),
        (
            "group_index = 1.337",
            "group_index = 13.37",
            "[optics] group_index is 13.37; expected a number at most 2",
        ),
        ("group_index = 1.337", "group_index = nan", "expected a finite number"),
        ("group_index = 1.337", 'group_index = "1.337"', "expected a number"),
        ("group_index = 1.337", "group_index = true", "expected a number"),
        ("wavelength_nm = 405.0", "wavelength_m = 4.05e-7", "[optics] wavelength_m is not known"),
        ("wavelength_nm = 405.0", "wavelength_nm = 4.05e-7", "at least 200"),
        ("scattering_anisotropy = 0.9", "scattering_anisotropy = 1.0", "below 1"),
        ('"isotropic"', '"laser"', "'isotropic', 'ring' or 'single'"),
        ('axis = "down"', 'axis = "up"', "[receiver] axis is 'up'; expected 'down'"),
        ('season = "2040"', "season = 2040", "[campaign] season is 2040; expected text in quotes"),
        ("bin_ns = 25.0", "bin_ns = 0", "[readout] bin_ns is 0; expected a number above 0"),
        ("bin_ns = 25.0", "bin_ns = 33.0", "[readout]: start_ns to stop_ns must be a whole number of bins"),
        ("bin_ns = 25.0", "bin_ns = 0.025", "at most 10000"),
        ("stop_ns = 3000.0", "stop_ns = -600.0", "stop_ns must be after start_ns"),
        ("dark_rate_hz = 500.0", "dark_rate_hz = -1", "at least 0"),
        ("effective_area_m2 = 0.003", "effective_area_m2 = inf", "a finite number"),
        ("[optics]", "[optic]", "[optic] is not known"),
        ("[optics]", "[optics", "not valid TOML"),
        ("[optics]", "[[optics]]", "[optics]"),
        ("group_index = 1.337", "group_index = 1.337\ngroup_index = 1.3", "not valid TOML"),
        ("group_index = 1.337", "group_index = " + "[" * 20_000, "not valid TOML"),
        ("group_index = 1.337", "index = 1.337\ngroup_index = 1.337", "[optics] index is not known"),
    ],
)
def test_bad_settings(folder: Path, old: str, new: str, said: str) -> None:
    path = folder / "campaign.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    assert message(folder).startswith(f"{path}: ")
    assert said in message(folder)


def test_truncated_gzip(folder: Path) -> None:
    whole = gzip.compress((folder / COUNTS).read_bytes())
    (folder / COUNTS).unlink()
    path = folder / "counts.csv.gz"
    for content, said in (
        (whole[: len(whole) // 2], "truncated"),
        (whole[:-4], "truncated"),
        (whole[:100] + bytes([whole[100] ^ 255]) + whole[101:], "not a sound gzip file"),
        (b"run,module\n", "not a sound gzip file"),
    ):
        path.write_bytes(content)
        assert message(folder).startswith(f"{path}: ")
        assert said in message(folder)


def test_bad_bytes(folder: Path) -> None:
    path = folder / "modules.csv"
    good = path.read_bytes()
    path.write_bytes(good.replace(b"L1-03", b"L1-\xff3"))
    assert f"{path}, row 4: byte 0xff is not UTF-8" in message(folder)
    path.write_bytes(good.replace(b"L1-03", b"L1-\x003"))
    assert f"{path}, row 4: holds a stray NUL byte" in message(folder)
    path.write_bytes(good.replace(b"L1-03", b"L1-03\r"))
    assert f"{path}, row 4: holds a stray carriage return" in message(folder)
    path.write_bytes(good.decode().encode("utf-16"))
    assert "is not UTF-8" in message(folder)
    path.write_bytes(good.replace(b"L1-03,", b'"L1-03,'))
    assert "not a well-formed CSV" in message(folder)


def test_rows_of_wrong_length(folder: Path) -> None:
    edit(folder / COUNTS, 7, lambda cells: cells.append("1"))
    assert f"{folder / COUNTS}, row 7: has 5 fields; expected 4" in message(folder)
    edit(folder / COUNTS, 7, lambda cells: cells.__delitem__(slice(3, 5)))
    assert "row 7, column 'count': found nothing" in message(folder)
    lines = (folder / COUNTS).read_text().splitlines()
    (folder / COUNTS).write_text("\n".join([*lines[:6], "", *lines[7:]]))
    assert "row 7, column 'run': found nothing" in message(folder)


def test_missing_and_ambiguous_files(folder: Path, tmp_path: Path) -> None:
    assert "there is no such folder or file" in message(tmp_path / "nowhere")
    assert "is not a campaign folder" in message(tmp_path)
    assert "not a sound HDF5 file, nor a campaign folder" in message(folder / "campaign.toml")
    shutil.copy(folder / "modules.csv", folder / "modules.csv.gz")
    assert "holds modules.csv and modules.csv.gz" in message(folder)
    (folder / "modules.csv.gz").unlink()
    (folder / "flashes.csv").unlink()
    assert "holds no flashes.csv" in message(folder)


def test_bad_parquet(folder: Path) -> None:
    counts = pl.read_csv(folder / COUNTS)
    (folder / COUNTS).unlink()
    path = folder / "counts.parquet"
    counts.with_columns(pl.col("count").cast(pl.Float64) + 0.5).write_parquet(path)
    assert f"{path}, row 1, column 'count'" in message(folder)
    counts.with_columns(pl.col("count") > 1).write_parquet(path)
    assert f"{path}, column 'count': is of type Boolean" in message(folder)
    counts.rename({"t_start_ns": "t_start_us"}).write_parquet(path)
    assert "column 't_start_us': expected 't_start_ns'" in message(folder)
    counts.write_parquet(path)
    read_campaign(folder)
    whole = path.read_bytes()
    for broken in (whole[:-10], whole[: len(whole) // 2], b"PAR1" * 10, b""):
        path.write_bytes(broken)
        assert f"{path}: not a sound Parquet file" in message(folder)


def test_bad_hdf5(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "one.h5"
    campaign = read_campaign(folder)

    def broken(change: Callable[[h5py.File], object]) -> str:
        write_campaign_hdf5(campaign, path)
        with h5py.File(path, "r+") as file:
            change(file)
        return message(path)

    def without(name: str) -> Callable[[h5py.File], object]:
        return lambda file: file.__delitem__(name)

    def with_column(values: object) -> Callable[[h5py.File], object]:
        def change(file: h5py.File) -> None:
            del file["counts/count"]
            file["counts/count"] = values

        return change

    rows = int((campaign.counts > 0).sum())
    assert "no campaign" in broken(lambda file: file.attrs.__delitem__("content"))
    assert "group /counts is missing" in broken(without("counts"))
    assert "group /optics is missing" in broken(without("optics"))
    assert "[optics] group_index is missing" in broken(lambda f: f["optics"].attrs.__delitem__("group_index"))
    assert "table /flashes, row 1, column 'pulses': is missing" in broken(without("flashes/pulses"))
    assert "table /counts, column 'count': has 3 rows" in broken(with_column([1, 2, 3]))
    assert "table /counts, row 1, column 'count': found '-1'" in broken(with_column([-1] * rows))
    assert "is not a dataset of shape (row,)" in broken(with_column([[1]] * rows))
    assert "row 2, column 'relative_efficiency'" in broken(
        lambda file: file["modules/relative_efficiency"].__setitem__(1, float("nan"))
    )
    write_campaign_hdf5(campaign, path)
    path.write_bytes(path.read_bytes()[:-500])
    assert f"{path}: not a sound HDF5 file" in message(path)
