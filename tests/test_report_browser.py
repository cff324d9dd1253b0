"""The HTML of a report in a real browser: accessible, and nothing is loaded from elsewhere.

The checker is axe-core (rules of WCAG 2.0 and 2.1, levels A and AA, and best practices), run in
headless Chromium. Requests are read from the browser's own network log.
"""

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import axe_core_python
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from diagnose import language
from diagnose.cli.firm import Firm
from diagnose.cli.handbook import handbook
from diagnose.cli.service_report import service_report
from diagnose.report.document import Document, Logo
from diagnose.report.html import html
from tests.reporting import (
    HOSTILE,
    closed,
    hostile_firm,
    matter,
    repaired_in_vain,
    scripted,
    with_text,
)

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
AXE = Path(axe_core_python.__file__).with_name("axe.min.js")
ARGUMENTS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"),
    *("--disable-background-networking", "--disable-dev-shm-usage"),
)
LOGO = b"""<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20">
<rect width="40" height="20"/></svg>"""

pytestmark = pytest.mark.skipif(
    not BROWSER or not DRIVER, reason="Chromium and its driver are not installed"
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER or ""
    for argument in (*ARGUMENTS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER or ""))
    driver.set_script_timeout(300)
    yield driver
    driver.quit()


def report() -> Document:
    session, events = scripted("own-tank-overflows-welded-contact")
    firm = Firm("Invented Pump Service", ("1 Invented Lane",), Logo(LOGO, "svg"))
    return service_report(matter(session, closed(events), firm))


def draft() -> Document:
    session, events = scripted("own-trips-earth-fault-in-cable")
    return service_report(matter(session, events))


def in_vain() -> Document:
    session, events = repaired_in_vain(2)
    return service_report(matter(session, events))


def in_hindi() -> Document:
    with language.using("hi"):
        return report()


def hostile() -> Document:
    session, events = scripted("own-controller-resets-sagging-adapter")
    text = "".join(text for name, text in HOSTILE.items() if not name.startswith("long"))
    return service_report(matter(session, with_text(events, text), hostile_firm(text)))


def the_handbook() -> Document:
    session, _events = scripted("own-tank-overflows-welded-contact")
    book = handbook(session.knowledge, session.installation, session.matrix, Firm())
    return replace(book, blocks=book.blocks[:60] + book.blocks[-8:])  # some of each chapter


PAGES = (report, draft, in_vain, in_hindi, hostile, the_handbook)


def requests(browser: webdriver.Chrome) -> list[str]:
    """Addresses that the browser asked for since it was last asked."""
    found = []
    for entry in browser.get_log("performance"):  # type: ignore[no-untyped-call]
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            found.append(str(message["params"]["request"]["url"]))
    return found


def opened(browser: webdriver.Chrome, text: str, folder: Path) -> str:
    """Load a page from a file; its address."""
    file = folder / "page.html"
    file.write_text(text, encoding="utf-8")
    browser.get_log("performance")  # type: ignore[no-untyped-call]
    browser.get_log("browser")  # type: ignore[no-untyped-call]
    browser.get(file.as_uri())
    return file.as_uri()


def violations(browser: webdriver.Chrome) -> list[dict[str, Any]]:
    """What the checker finds wrong with the page that is loaded."""
    browser.execute_script(AXE.read_text("utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1]; axe.run(document).then(done);"
    )
    assert found["passes"], "the checker looked at nothing"
    return list(found["violations"])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_accessible_and_self_contained(
    browser: webdriver.Chrome, tmp_path: Path, page: Any
) -> None:
    address = opened(browser, html(page()), tmp_path)
    entries = browser.execute_script(
        "return performance.getEntriesByType('resource').map(e => e.name)"
    )
    elsewhere = [u for u in (*requests(browser), *entries) if not u.startswith("data:image/")]
    assert set(elsewhere) == {address}
    assert not browser.get_log("browser")  # type: ignore[no-untyped-call]
    found = violations(browser)
    assert not found, [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found]
    wide = browser.execute_script(
        "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert wide <= 0


def test_what_is_wrong_is_found(browser: webdriver.Chrome, tmp_path: Path) -> None:
    spoilt = html(draft()).replace(' alt="', ' data-was="').replace('<html lang="en">', "<html>")
    opened(browser, spoilt, tmp_path)
    assert {"image-alt", "html-has-lang"} <= {v["id"] for v in violations(browser)}


def test_a_request_is_seen(browser: webdriver.Chrome, tmp_path: Path) -> None:
    other = tmp_path / "other.png"
    other.write_bytes(b"no picture")
    text = f'<!DOCTYPE html><title>t</title><img alt="" src="{other.as_uri()}">'
    address = opened(browser, text, tmp_path)
    assert requests(browser) == [address, other.as_uri()]
