"""The page in a real browser: nothing fails, nothing is fetched, and mouse and keyboard do what they say."""

import base64

import pytest

from iceopt.report import page as page_module
from iceopt.report.page import write_report
from tests.fake_results import Fake, write_fake
from tests.report.browser import opened, requests

STUCK = 5
PIXEL = "data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA="
NASTY = "<img src=x onerror=alert(1)>&'\"$x^2$"


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Three seasons: one not converged, one whose names are markup, one on another grid."""
    folder = tmp_path_factory.mktemp("browser")
    verdict = "NOT converged, do not use as final: the worst R-hat is 1.900"
    small = {"draws": 200, "lines": 3}
    write_fake(
        folder / "a.h5",
        Fake(layers=80, unseen=10, stuck=(STUCK,), converged=False, verdict=verdict, **small),
    )
    write_fake(folder / "b.h5", Fake(layers=80, season="2032", change=0.2, prefix=NASTY, **small))
    write_fake(folder / "c.h5", Fake(layers=40, thickness_m=20.0, season=NASTY, **small))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page_module, "_picture", lambda name, result: PIXEL)
        write_report(folder / "page.html", [folder / f"{name}.h5" for name in "abc"])
    return folder / "page.html"


def press(browser, *keys):
    from selenium.webdriver.common.by import By

    browser.find_element(By.ID, "panels").send_keys(*keys)


def all_of(browser, selector):
    from selenium.webdriver.common.by import By

    return browser.find_elements(By.CSS_SELECTOR, selector)


def depth_ticks(browser):
    words = browser.execute_script(
        "return [...document.querySelectorAll('#panels svg:first-child text[text-anchor=end]:not(.warn)')]"
        ".map(t => +t.textContent)"
    )
    return min(words), max(words)


@pytest.mark.parametrize(("width", "scheme"), [(1200, "light"), (1200, "dark"), (390, "light")])
def test_page_loads_clean_and_fits_its_window(page, width, scheme):
    with opened(page, width, scheme) as browser:
        assert browser.get_log("browser") == []
        assert requests(browser) == [page.as_uri()]
        assert len(all_of(browser, "#panels svg")) == 2
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        assert wide <= width
        paper = browser.execute_script("return getComputedStyle(document.documentElement).backgroundColor")
        assert (sum(map(int, paper[4:-1].split(","))) > 380) == (scheme == "light")


def test_verdict_is_first_and_seen_without_scrolling(page):
    with opened(page) as browser:
        first = all_of(browser, "main section")[0]
        stamps = [stamp.text for stamp in all_of(browser, ".stamp")]
        assert first.get_attribute("id") == "verdict"
        assert "Not converged" in stamps[0]
        assert "Final" in stamps[1]
        assert all_of(browser, ".stamp")[0].rect["y"] < 400


def test_names_from_files_are_shown_as_they_stand(page):
    with opened(page) as browser:
        names = browser.execute_script(
            "return [...document.querySelectorAll('#modules tbody th')].map(t => t.textContent)"
        )
        assert f"{NASTY}1-01" in names
        assert f"Skarv Dome {NASTY}" in browser.title
        assert all_of(browser, "img[src=x]") == []


def test_hover_shows_the_numbers_of_that_layer_in_every_season(page):
    from selenium.webdriver import ActionChains

    with opened(page) as browser:
        panel = all_of(browser, "#panels svg")[0]
        ActionChains(browser).move_to_element(panel).perform()
        rows = [row.text for row in all_of(browser, "#readout tbody tr")]
        assert len(rows) == 3
        # The middle of the picture is near the middle of the depths, 1700 to 2500 m.
        assert any(depth in rows[0] for depth in ("2080–2090", "2090–2100", "2100–2110", "2110–2120"))
        assert "not final" in rows[0]
        assert "not final" not in rows[1]


def test_keyboard_walks_the_layers_and_marks_the_one_not_converged(page):
    from selenium.webdriver.common.keys import Keys

    with opened(page) as browser:
        press(browser, *[Keys.ARROW_DOWN] * (STUCK + 1))
        row = all_of(browser, "#readout tbody tr")[0].text
        assert "1750–1760" in row
        assert "not converged" in row
        press(browser, Keys.END)
        assert "2490–2500" in all_of(browser, "#readout tbody tr")[0].text


def test_zoom_by_keys_buttons_and_drag(page):
    from selenium.webdriver import ActionChains

    with opened(page) as browser:
        whole = depth_ticks(browser)
        assert whole == (1700, 2500)
        press(browser, "+")
        assert depth_ticks(browser) == (1900, 2300)
        press(browser, "0")
        assert depth_ticks(browser) == whole
        all_of(browser, "#zoom-in")[0].click()
        assert depth_ticks(browser) == (1900, 2300)
        all_of(browser, "#whole")[0].click()
        # By id, not by element: the panels are drawn anew at every move.
        box = all_of(browser, "#panels svg")[0].rect
        act = ActionChains(browser)
        place = all_of(browser, "#panels")[0]
        act.move_to_element_with_offset(place, -200, -int(box["height"] / 4)).click_and_hold()
        act.move_by_offset(0, int(box["height"] / 4)).release().perform()
        low, high = depth_ticks(browser)
        assert whole[0] < low < high < whole[1]


def test_seasons_are_ticked_off_and_on(page):
    with opened(page) as browser:
        assert len(all_of(browser, "#panels .median")) == 6
        boxes = all_of(browser, "#seasons input")
        boxes[0].click()
        assert len(all_of(browser, "#panels .median")) == 4
        assert all_of(browser, "#panels .warn") == []
        boxes[0].click()
        assert len(all_of(browser, "#panels .median")) == 6
        assert len(all_of(browser, "#panels .warn")) == 2
        for box in boxes:
            box.click()
        assert "no season is ticked" in all_of(browser, "#panels")[0].text
        assert browser.get_log("browser") == []


def test_page_prints_with_all_its_tables(page):
    with opened(page) as browser:
        pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {})["data"])
        assert pdf.startswith(b"%PDF")
        assert all(d.get_attribute("open") for d in all_of(browser, "details"))


def test_without_scripts_there_are_pictures(page):
    with opened(page, scripts=False) as browser:
        assert len(all_of(browser, "noscript img")) == 3
