"""A headless browser on a page, or a skip that says why there is none."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@contextmanager
def opened(page: Path, width: int = 1200, scheme: str = "light", scripts: bool = True) -> Iterator[Any]:
    """Selenium driver with the page loaded, its console and its network kept."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    binary = next(filter(None, map(shutil.which, BROWSERS)), None)
    driver = shutil.which("chromedriver")
    if binary is None or driver is None:
        pytest.skip(f"needs chromedriver and one of {', '.join(BROWSERS)} on the path")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    try:
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
        )
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )
        if not scripts:
            browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        browser.get(page.as_uri())
        yield browser
    finally:
        browser.quit()


def requests(browser: Any) -> list[str]:
    """Addresses that the page has asked for, data addresses left out."""
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    sent = [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]
    return [url for url in sent if not url.startswith("data:")]
