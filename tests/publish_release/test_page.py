"""The page in a real browser, from disk: on a phone and on a desk, by keyboard, with every download clicked."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER), reason="no Chromium with its driver here (Debian: apt install chromium chromium-driver)"
)

WIDTHS = (390, 1440)


@pytest.fixture(scope="module")
def downloads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="module", params=WIDTHS)
def browser(
    request: pytest.FixtureRequest, downloads: Path, demo_release: tuple[Path, Any]
) -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(BROWSER)
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"):
        options.add_argument(word)
    options.add_experimental_option(
        "prefs", {"download.default_directory": str(downloads), "safebrowsing.enabled": False,
                  "profile.default_content_setting_values.automatic_downloads": 1},
    )  # fmt: skip
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(DRIVER)))
    try:
        driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": request.param, "height": 844, "deviceScaleFactor": 1, "mobile": request.param < 500},
        )
        driver.get((demo_release[0] / "index.html").as_uri())
        yield driver
    finally:
        driver.quit()


def requested(browser: webdriver.Chrome) -> list[str]:
    """The addresses that the browser asked for since the last call."""
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [one["params"]["request"]["url"] for one in messages if one["method"] == "Network.requestWillBeSent"]


def test_it_asks_the_network_for_nothing_and_complains_of_nothing(browser: webdriver.Chrome) -> None:
    asked = requested(browser)
    assert asked and all(url.startswith(("file:", "data:")) for url in asked), asked
    assert browser.get_log("browser") == []


def test_nothing_is_wider_than_the_screen(browser: webdriver.Chrome) -> None:
    for page in ("index.html", "codebook.html", "method.html"):
        browser.get(browser.current_url.rsplit("/", 1)[0] + "/" + page)
        wide, screen = browser.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
        assert wide <= screen, page
        small = browser.execute_script(
            "return [...document.querySelectorAll('p,li,td,th,dd,dt,a')].filter(e => e.offsetParent"
            " && parseFloat(getComputedStyle(e).fontSize) < 12).length"
        )
        assert small == 0, "words too small to read"
    browser.get(browser.current_url.rsplit("/", 1)[0] + "/index.html")


def test_the_charts_are_drawn_and_can_be_read_out(browser: webdriver.Chrome) -> None:
    figures = browser.find_elements(By.TAG_NAME, "figure")
    assert len(figures) >= 4
    for figure in figures:
        assert figure.find_element(By.TAG_NAME, "figcaption").text
        for row in figure.find_elements(By.CSS_SELECTOR, "tbody tr"):
            assert row.find_element(By.CSS_SELECTOR, "th").text and row.find_element(By.CSS_SELECTOR, "td.figure").text
    dot = browser.find_element(By.CSS_SELECTOR, "circle.median")
    assert dot.rect["width"] > 6 and 0 < dot.rect["x"] < browser.execute_script("return window.innerWidth")


def test_the_keyboard_reaches_everything(browser: webdriver.Chrome) -> None:
    browser.execute_script("document.activeElement.blur(); window.scrollTo(0, 0)")
    links = len(browser.find_elements(By.CSS_SELECTOR, "a[href]"))
    reached = set()
    body = browser.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text == "Skip to the content"
    for _ in range(links + 40):
        active = browser.switch_to.active_element
        if active.tag_name == "a":
            reached.add(active.get_attribute("href"))
        active.send_keys(Keys.TAB)
    wanted = {link.get_attribute("href") for link in browser.find_elements(By.CSS_SELECTOR, "a[href]")}
    assert reached == wanted


@pytest.fixture(scope="module")
def address(demo_release: tuple[Path, Any]) -> Iterator[str]:
    """The release behind the plainest of web servers."""

    class Silent(SimpleHTTPRequestHandler):
        def log_message(self, *words: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Silent, directory=str(demo_release[0])))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_address[1]}/"
    server.shutdown()


def named(link: Any, base: str) -> str:
    return str(link.get_attribute("href")).removeprefix(base)


def test_each_download_arrives_whole(
    browser: webdriver.Chrome, downloads: Path, demo_release: tuple[Path, Any], address: str
) -> None:
    for path in downloads.iterdir():
        path.unlink()
    browser.get(address + "index.html")
    browser.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(downloads)})
    folder = demo_release[0]
    links = browser.find_elements(By.CSS_SELECTOR, ".downloads a")
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {named(link, address) for link in links} == {name for name in files if not name.endswith(".html")}
    for link in links:
        name = named(link, address)
        browser.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", link)
        link.click()
        place, wanted = downloads / Path(name).name, (folder / name).read_bytes()
        WebDriverWait(browser, 30).until(lambda _, p=place, w=wanted: p.is_file() and p.read_bytes() == w, name)
    assert browser.current_url == address + "index.html"
    assert browser.get_log("browser") == []
    assert all(url.startswith((address, "data:")) for url in requested(browser) if not url.startswith("file:"))


def test_from_disk_each_download_is_there_too(browser: webdriver.Chrome, demo_release: tuple[Path, Any]) -> None:
    """A browser shows a text file from disk where it would save one from the web; either way it finds it."""
    page = (demo_release[0] / "index.html").as_uri()
    base = page.removesuffix("index.html")
    browser.get(page)
    for name in [named(link, base) for link in browser.find_elements(By.CSS_SELECTOR, ".downloads a")]:
        assert (demo_release[0] / name).is_file(), name
        if name.endswith((".md", ".txt")):
            link = browser.find_element(By.CSS_SELECTOR, f'.downloads a[href="{name}"]')
            browser.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", link)
            link.click()
            WebDriverWait(browser, 10).until(lambda driver: not driver.current_url.endswith("index.html"))
            begin = (demo_release[0] / name).read_text("utf-8").split()[:3]
            assert " ".join(begin)[:20] in " ".join(browser.find_element(By.TAG_NAME, "body").text.split())
            browser.get(page)


def test_the_pages_lead_to_each_other(browser: webdriver.Chrome) -> None:
    browser.find_element(By.LINK_TEXT, "Method").click()
    WebDriverWait(browser, 10).until(lambda driver: driver.find_element(By.TAG_NAME, "h1").text.startswith("Method"))
    browser.find_element(By.LINK_TEXT, "Codebook").click()
    WebDriverWait(browser, 10).until(lambda driver: driver.find_element(By.TAG_NAME, "h1").text.startswith("Codebook"))
    browser.find_element(By.LINK_TEXT, "Overview").click()
    WebDriverWait(browser, 10).until(lambda driver: driver.find_elements(By.TAG_NAME, "figure"))
