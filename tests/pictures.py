"""A picture of every kind of page: phone and desk, light, dark and low light, and on paper. `make screenshots`.

For a reviewer to look at: what no test can judge. Usage: python tests/pictures.py [--out DIR] [KIND ...]
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support import CHROMIUM_FLAGS, ROOT, chromium, page_kinds, served  # noqa: E402

WIDTHS = {"phone": 390, "desk": 1280}
PALETTES = {"light": "default", "dark": "slate", "low-light": "low-light"}


def take(site: Path, out: Path, kinds: dict[str, str]) -> int:
    """Writes KIND-WIDTH-PALETTE.png and KIND-paper.pdf for each kind; returns how many files."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    made = 0
    with served(site) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=CHROMIUM_FLAGS)
        for width_name, width in WIDTHS.items():
            page = browser.new_page(viewport={"width": width, "height": 844})
            for kind, path in kinds.items():
                page.goto(address + path, wait_until="load")
                name = kind.replace(" ", "-")
                for palette, scheme in PALETTES.items():
                    page.evaluate("scheme => { document.body.dataset.mdColorScheme = scheme; }", scheme)
                    page.wait_for_timeout(350)  # colours fade over
                    page.screenshot(path=out / f"{name}-{width_name}-{palette}.png", full_page=True)
                    made += 1
                if width_name == "desk":
                    page.pdf(path=out / f"{name}-paper.pdf", prefer_css_page_size=True)
                    made += 1
            page.close()
        browser.close()
    return made


def main() -> None:
    kinds = page_kinds()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "screenshots")
    parser.add_argument("kind", nargs="*", metavar="KIND", help="only these kinds of page; all if none is named: " + ", ".join(kinds))
    chosen = parser.parse_args()
    if unknown := set(chosen.kind) - set(kinds):
        parser.error(f"There is no kind of page named {', '.join(sorted(unknown))}.")
    os.environ["NO_MKDOCS_2_WARNING"] = "1"
    from builder.site import build_site

    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "site"
        build_site(ROOT, site, ROOT / "mkdocs.yml")
        made = take(site, chosen.out, {k: kinds[k] for k in chosen.kind or kinds})
    print(f"Wrote {made} files into {chosen.out}.")


if __name__ == "__main__":
    main()
