"""A few rendered pages of the valid library, to the letter.

They guard against changes that nobody meant. After a change that was meant, run

    RENEW=1 python -m pytest tests/test_golden.py

and read the difference in tests/golden/ before you keep it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fixtures import GOLDEN, RENEW, build, lay

from builder import compose

PAGES = {
    "technique.md": "techniques/raised-infusion.md",
    "source.md": "sources/iso-9626-2016.md",
    "page.md": "pages/about-the-cards.md",
    "calculator.md": "calculators/window-and-pressure.md",
    "calculator.js": "assets/calculators/window-and-pressure.js",
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    built = build(lay(tmp_path_factory.mktemp("golden")))
    assert not built.problems
    made = list(compose.pages(built))
    assert len({p.path for p in made}) == len(made), "Two pages have one path."
    return {p.path: p.text for p in made}


@pytest.mark.parametrize("golden", PAGES)
def test_a_page_is_rendered_as_it_was(golden: str, pages: dict[str, str]) -> None:
    file, text = GOLDEN / golden, pages[PAGES[golden]]
    if RENEW:
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8"), "If the change was meant: RENEW=1 python -m pytest tests/test_golden.py"


def test_every_golden_page_is_compared() -> None:
    assert {f.name for f in GOLDEN.iterdir()} == set(PAGES)


def test_rendering_twice_gives_the_same_pages(tmp_path: Path, pages: dict[str, str]) -> None:
    built = build(lay(tmp_path))
    again = compose.pages(built)
    assert {p.path: p.text for p in again} == pages


def test_every_page_opens_with_a_title_and_one_heading(pages: dict[str, str]) -> None:
    for path, text in pages.items():
        if path.endswith(".md"):
            head, _, body = text.removeprefix("---\n").partition("\n---\n")
            assert head.startswith('title: "'), path
            assert [line for line in body.splitlines() if line.startswith("# ")] == [body.splitlines()[0]] or path == "index.md", path
