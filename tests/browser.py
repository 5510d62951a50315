"""Headless Chromium for tests of pages: what the console said, what was asked of the network, how it looks.

`with browser(width=390, height=844) as shown: shown.open(path)`; tests are skipped, with the reason, where Chromium or
its driver is not installed (on Debian: `apt install chromium chromium-driver`).
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

DRIVERS = ("chromedriver", "chromium.chromedriver")
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


class Shown:
    """A page in a browser window."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, path: Path) -> None:
        """Opens a file and waits until it is loaded."""
        self.driver.get(path.resolve().as_uri())

    def js(self, script: str, *values: Any) -> Any:
        """What a script gives back (`return ...`)."""
        return self.driver.execute_script(script, *values)

    def errors(self) -> list[str]:
        """The console's warnings and errors since the last call."""
        return [
            f"{entry['level']}: {entry['message']}"
            for entry in self.driver.get_log("browser")
            if entry["level"] in ("WARNING", "SEVERE")
        ]

    def requests(self) -> list[str]:
        """The addresses that were asked for since the last call, the page's own file (and what it holds) left out."""
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        asked = [
            event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"
        ]
        return [url for url in asked if not url.startswith("data:") and url != self.driver.current_url.split("#")[0]]

    def press(self, *keys: str) -> None:
        """Presses keys where the focus is (`selenium.webdriver.Keys`)."""
        from selenium.webdriver import ActionChains

        ActionChains(self.driver).send_keys(*keys).perform()

    def size(self, width: int, height: int) -> None:
        """Sets the size of the page exactly, in CSS pixels (a phone's too, which no desktop window goes down to)."""
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )

    def medium(self, name: str = "", **features: str) -> None:
        """Shows the page for a medium ("print") or with features (prefers_color_scheme="dark")."""
        told = [{"name": key.replace("_", "-"), "value": value} for key, value in features.items()]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": name, "features": told})

    def overflow(self) -> int:
        """By how many pixels the page is wider than its window."""
        return int(self.js("return document.documentElement.scrollWidth - document.documentElement.clientWidth") or 0)

    def screenshot(self, path: Path, *, whole: bool = False) -> Path:
        """Saves a picture of the window, or of the whole page."""
        shot = self.driver.execute_cdp_cmd(
            "Page.captureScreenshot", {"format": "png", "captureBeyondViewport": whole} if whole else {"format": "png"}
        )
        path.write_bytes(base64.b64decode(shot["data"]))
        return path

    def pdf(self) -> bytes:
        """The page as it would be printed."""
        return base64.b64decode(self.driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})["data"])


@contextmanager
def browser(width: int = 1440, height: int = 900, *, dark: bool = False) -> Iterator[Shown]:
    """A browser without a window; skips the test where there is none."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed (extra `test`)")
    driver_path = next(filter(None, map(shutil.which, DRIVERS)), None)
    browser_path = next(filter(None, map(shutil.which, BROWSERS)), None)
    if driver_path is None or browser_path is None:
        pytest.skip("no Chromium with its driver here (on Debian: apt install chromium chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = browser_path
    for word in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars",
        "--disable-background-networking", "--no-first-run", f"--window-size={width},{height}",
    ):  # fmt: skip
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver_path))
    try:
        shown = Shown(driver)
        shown.size(width, height)
        if dark:
            shown.medium(prefers_color_scheme="dark")
        yield shown
    finally:
        driver.quit()
