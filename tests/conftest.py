"""Fixtures shared by all tests. The browser, the site and its two addresses are made once a session, when first asked for."""

from __future__ import annotations

import os
import statistics
from pathlib import Path

import pytest
from support import CHROMIUM_FLAGS, ROOT, Base, Browsing, Windows, built, chromium, reading_age, served

from builder.render.pages import reading_minutes


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole site, built from the project's own cards by the builder's own build command."""
    from builder.site import build_site

    os.environ["NO_MKDOCS_2_WARNING"] = "1"
    out = tmp_path_factory.mktemp("built") / "site"
    pages = build_site(ROOT, out, ROOT / "mkdocs.yml")
    assert pages > 10, f"The build made only {pages} pages."
    return out


@pytest.fixture(scope="session")
def http_base(site: Path):
    with served(site) as address:
        yield Base("http", address)


@pytest.fixture(scope="session")
def file_base(site: Path) -> Base:
    return Base("file", site.as_uri() + "/")


@pytest.fixture(params=["http", "file"])
def base(request: pytest.FixtureRequest) -> Base:
    """The site from a web host, and from a folder on disk."""
    return request.getfixturevalue(f"{request.param}_base")


@pytest.fixture(scope="session")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        # Date fields take the order of their parts from the browser's own language: month, day, year in this one.
        browser = playwright.chromium.launch(executable_path=chromium(), args=[*CHROMIUM_FLAGS, "--lang=en-US"], env={**os.environ, "LANGUAGE": "en_US"})
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def windows(browser) -> Windows:
    return Windows(browser)


@pytest.fixture
def browsing(windows: Windows):
    """Opens pages; the test fails if any page it opened raised an error or asked for anything outside the site."""
    made = Browsing(windows)
    yield made
    made.close()
    assert not made.complaints, "Pages must load without errors and ask for nothing outside the site:\n" + "\n".join(made.complaints)


@pytest.fixture(scope="session")
def calculators():
    """The project's calculators made ready to run in Python: id -> Ready."""
    return built().ready


def pytest_terminal_summary(terminalreporter) -> None:
    """After the tests of the cards: how long each takes to read and at what age, the hardest first."""
    if not any("test_cards.py" in report.nodeid for report in terminalreporter.stats.get("passed", ())):
        return
    cards = sorted(built().linked.library.techniques.values(), key=reading_age, reverse=True)
    ages = [reading_age(t) for t in cards]
    terminalreporter.write_line(f"Reading age of {len(cards)} cards: median {statistics.median(ages):.1f} years, from {ages[-1]:.1f} to {ages[0]:.1f}; "
                                "hardest: " + ", ".join(f"{t.id} {reading_age(t):.1f} ({reading_minutes(t)} min)" for t in cards[:5]))
