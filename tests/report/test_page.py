"""The page as text: whole, alone, honest, and escaped."""

import json
import re
from html.parser import HTMLParser

import pytest
from typer.testing import CliRunner

from iceopt.cli import app
from iceopt.errors import InputError
from iceopt.report import page as page_module
from iceopt.report.page import PICTURES, write_report
from iceopt.result.layers import read_layers
from iceopt.result.read import Result
from tests.fake_results import Fake, write_fake

VOID = {"meta", "link", "img", "br", "input", "col", "hr"}


@pytest.fixture
def no_drawing(monkeypatch):
    """Pictures of 80 000 characters each that nobody has to draw."""
    monkeypatch.setattr(
        page_module, "_picture", lambda name, result: "data:image/webp;base64,".ljust(80_000, "A")
    )


class Outline(HTMLParser):
    """Tags that are open at the end or closed out of order, and addresses that the page names."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.addresses: list[str] = []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    write_fake(folder / "good.h5", Fake(draws=200))
    doubt = "converged: R-hat 1.001; a first look, not final: the light model is itself wrong by about 50 %"
    write_fake(folder / "doubt.h5", Fake(draws=200, light_model_error=0.5, verdict=doubt, season="2032"))
    return folder


@pytest.fixture(scope="module")
def text(results):
    write_report(results / "page.html", [results / "good.h5", results / "doubt.h5"])
    return (results / "page.html").read_text(encoding="utf-8")


def test_page_is_well_formed_and_needs_nothing_else(text):
    outline = Outline()
    outline.feed(text)
    assert outline.open == []
    assert all(address.startswith(("data:", "#")) for address in outline.addresses)
    assert len(text.encode()) < 5_000_000
    assert text.count("data:image/webp;base64,") == 2 * (1 + len(PICTURES))


def test_sections_stand_in_the_order_of_their_weight(text):
    assert re.findall(r'<section id="([\w-]+)"', text) == [
        "verdict", "profile", "layers", "left-out", "checks", "modules", "provenance",
    ]  # fmt: skip


def test_script_gets_the_quantiles_of_the_result(results, text):
    data = re.search(r'id="profile-data">(.*?)</script>', text, re.S).group(1)
    with Result(results / "good.h5") as result:
        layers = read_layers(result)
    first = json.loads(data)[0]
    assert first["edges"] == layers.edges_m.tolist()
    for drawn, lengths in zip(first["lengths"], (layers.scattering, layers.absorption), strict=True):
        for quantile, expected in zip(drawn["quantiles"], lengths.quantiles_m, strict=True):
            assert quantile == pytest.approx(expected, rel=1e-4)


def test_doubtful_numbers_are_called_so_beside_each_table(text):
    warnings = re.findall(r'<p class="warning"><strong>(.*?)</strong>', text)
    assert warnings.count("Not final.") == 3  # layers, checks, modules and runs
    assert "Skarv Dome 2032: not final." in warnings
    assert "Skarv Dome 2031" not in " ".join(warnings)


def test_layer_that_has_not_converged_is_marked_in_its_row(tmp_path, no_drawing):
    write_fake(tmp_path / "stuck.h5", Fake(draws=1000, stuck=(3,)))
    write_report(tmp_path / "page.html", [tmp_path / "stuck.h5"])
    rows = re.findall(r"<tr><th scope=\"row\">(\d+–\d+)</th>(.*?)</tr>", (tmp_path / "page.html").read_text())
    assert [depth for depth, cells in rows if "not converged" in cells] == ["1730–1740"]


def test_results_of_one_season_are_told_apart(tmp_path, no_drawing):
    for name in ("one", "two"):
        write_fake(tmp_path / f"{name}.h5", Fake(draws=200))
    write_report(tmp_path / "page.html", [tmp_path / "one.h5", tmp_path / "two.h5"])
    labels = re.findall(r"<h3>(Skarv Dome.*?) <small>", (tmp_path / "page.html").read_text())
    assert labels == ["Skarv Dome 2031 (one.h5)", "Skarv Dome 2031 (two.h5)"]


def test_large_page_keeps_the_pictures_of_the_last_result(results, tmp_path, monkeypatch, no_drawing):
    monkeypatch.setattr(page_module, "LARGEST_BYTES", 1_100_000)
    write_report(tmp_path / "page.html", [results / "doubt.h5", results / "good.h5"])
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert text.count("data:image/webp") == 1 + len(PICTURES)
    assert len(text) < 1_100_000
    assert "iceopt plot doubt.h5" in text
    assert "iceopt plot good.h5" not in text


def test_page_that_is_too_large_is_refused_and_not_written(results, tmp_path, monkeypatch, no_drawing):
    monkeypatch.setattr(page_module, "LARGEST_BYTES", 10_000)
    with pytest.raises(InputError, match="give fewer results"):
        write_report(tmp_path / "page.html", [results / "good.h5"])
    assert list(tmp_path.iterdir()) == []


def test_command_writes_the_page_and_says_what_is_not_final(results, tmp_path, no_drawing):
    out = tmp_path / "page.html"
    done = CliRunner().invoke(app, ["report", str(results / "doubt.h5"), "-o", str(out)])
    assert done.exit_code == 0
    assert out.exists()
    assert "not all of its numbers are final" in done.stderr


def test_command_refuses_a_folder_that_is_not_there(results, tmp_path):
    done = CliRunner().invoke(app, ["report", str(results / "good.h5"), "-o", str(tmp_path / "no/page.html")])
    assert isinstance(done.exception, InputError)
