"""No mangled table yields a traceback or a silently wrong campaign.

Whatever happens to the files, the reader either refuses them in a sentence or reads exactly what an
independent naive reader finds in them.
"""

import gzip
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from iceopt.campaign.read import read_campaign
from iceopt.campaign.write import write_campaign_folder, write_campaign_hdf5
from iceopt.errors import InputError
from tests.campaign.naive import as_naive, naive_folder
from tests.synthetic import draw_campaign

FILES = ("campaign.toml", "modules.csv", "flashes.csv", "counts.csv")
QUICK = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

CELLS = st.one_of(
    st.sampled_from(
        ["nan", "inf", "-inf", "-1", "0", "1e3", "1.5", "25", "-500", "1e400", "1_0", "+5", "0x1"]
    ),
    st.sampled_from(["L1-01", "L1-02", "R01", "ok", "dead", "NULL"]),
    st.sampled_from(["", " ", '"', '""', '"5"', "5\n", "\r", "\t", "é", "\ufeff", ";", "5 "]),
    st.text(max_size=5),
    st.integers(-600, 3100).map(str),
    st.floats().map(str),
)


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tiny") / "campaign"
    changes = {"lines": 2, "modules_per_line": 3, "photons_per_pulse": 2e6, "stop_ns": 500.0}
    write_campaign_folder(draw_campaign(**changes)[0], folder, counts_suffix=".csv")
    return folder


def refused_or_right(folder: Path) -> None:
    try:
        campaign = read_campaign(folder)
    except InputError as error:
        assert "\n" not in str(error)
        return
    naive = naive_folder(folder)
    read = as_naive(campaign)
    naive["settings"].setdefault("campaign note", "")
    assert read == naive


def mangled(tiny: Path, file: str, content: bytes, *, zipped: bool = False) -> None:
    with tempfile.TemporaryDirectory() as parent:
        folder = Path(parent) / "campaign"
        shutil.copytree(tiny, folder)
        if zipped:
            (folder / file).unlink()
        (folder / (file + ".gz" if zipped else file)).write_bytes(content)
        refused_or_right(folder)


@given(file=st.sampled_from(FILES[1:]), data=st.data(), cell=CELLS)
@settings(QUICK, max_examples=400)
def test_edited_cells(tiny: Path, file: str, data: st.DataObject, cell: str) -> None:
    rows = [line.split(",") for line in (tiny / file).read_text().splitlines()]
    row = data.draw(st.integers(0, len(rows) - 1))
    rows[row][data.draw(st.integers(0, len(rows[0]) - 1))] = cell
    mangled(tiny, file, "\n".join(",".join(row) for row in rows).encode("utf-8", "replace"))


@given(file=st.sampled_from(FILES), data=st.data())
@QUICK
def test_dropped_repeated_and_swapped_rows(tiny: Path, file: str, data: st.DataObject) -> None:
    lines = (tiny / file).read_text().splitlines()
    index = st.integers(0, len(lines) - 1)
    for what in data.draw(st.lists(st.sampled_from(["drop", "repeat", "swap"]), min_size=1, max_size=3)):
        one, other = data.draw(index) % len(lines), data.draw(index) % len(lines)
        if what == "drop" and len(lines) > 1:
            del lines[one]
        elif what == "repeat":
            lines.insert(other, lines[one])
        else:
            lines[one], lines[other] = lines[other], lines[one]
    mangled(tiny, file, "\n".join(lines).encode())


@given(file=st.sampled_from(FILES), data=st.data(), byte=st.integers(0, 255))
@settings(QUICK, max_examples=400)
def test_changed_bytes(tiny: Path, file: str, data: st.DataObject, byte: int) -> None:
    content = bytearray((tiny / file).read_bytes())
    content[data.draw(st.integers(0, len(content) - 1))] = byte
    mangled(tiny, file, bytes(content))


@given(file=st.sampled_from(FILES), data=st.data())
@QUICK
def test_truncated_files(tiny: Path, file: str, data: st.DataObject) -> None:
    content = (tiny / file).read_bytes()
    mangled(tiny, file, content[: data.draw(st.integers(0, len(content)))])


@given(data=st.data())
@QUICK
def test_damaged_gzip(tiny: Path, data: st.DataObject) -> None:
    content = bytearray(gzip.compress((tiny / "counts.csv").read_bytes(), mtime=0))
    place = data.draw(st.integers(0, len(content) - 1))
    if data.draw(st.booleans()):
        content[place] ^= data.draw(st.integers(1, 255))
    else:
        content = content[:place]
    mangled(tiny, "counts.csv", bytes(content), zipped=True)


@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255), cut=st.booleans())
@example(place=0.0, flip=1, cut=True)
@QUICK
@pytest.mark.parametrize("form", ["hdf5", "parquet"])
def test_damaged_binary_files_give_no_traceback(
    tiny: Path, form: str, place: float, flip: int, cut: bool
) -> None:
    with tempfile.TemporaryDirectory() as parent:
        campaign, path = read_campaign(tiny), Path(parent) / "one.h5"
        if form == "hdf5":
            write_campaign_hdf5(campaign, path)
            whole = path
        else:
            path = Path(parent) / "folder"
            write_campaign_folder(campaign, path, ".parquet", ".parquet")
            whole = path / "counts.parquet"
        content = bytearray(whole.read_bytes())
        index = int(place * len(content))
        if cut:
            content = content[:index]
        else:
            content[index] ^= flip
        whole.write_bytes(bytes(content))
        try:
            again = read_campaign(path)
        except InputError:
            return
        if form == "hdf5":  # its checksums let no changed number pass; Parquet has none of its own
            assert (again.counts == campaign.counts).all()
            assert again.settings == campaign.settings
