"""What a card costs a phone: bytes of our own, time to the largest thing seen, and nothing that jumps."""

from __future__ import annotations

import gzip
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from support import Base, page_kinds

pytestmark = pytest.mark.browser

KINDS = page_kinds()
OWN_BYTES = 60_000  # compressed, script and style together
LARGEST_SEEN = 1.0  # seconds, on a processor four times slower
SHIFT = 0.02
SLOWER = 4

WATCH = """() => {
  window.seen = {largest: 0, shift: 0};
  new PerformanceObserver(list => { for (const e of list.getEntries()) window.seen.largest = Math.max(window.seen.largest, e.startTime); })
    .observe({type: 'largest-contentful-paint', buffered: true});
  new PerformanceObserver(list => { for (const e of list.getEntries()) if (!e.hadRecentInput) window.seen.shift += e.value; })
    .observe({type: 'layout-shift', buffered: true});
}"""


def _theme(path: str) -> bool:
    """The theme's own bundle: its name carries a digest and a .min."""
    return ".min." in path


@pytest.mark.parametrize("kind", ["technique", "pathway", "home"])
def test_our_own_script_and_style_stay_small(kind: str, site: Path, http_base: Base, browsing) -> None:
    page = browsing.open(http_base, KINDS[kind], fresh=True)
    page.wait_for_load_state("networkidle")
    names = page.evaluate("() => performance.getEntriesByType('resource').map(e => e.name)")
    own = {p for p in (unquote(urlsplit(n).path).lstrip("/") for n in names) if p.endswith((".js", ".css")) and not _theme(p)}
    sizes = {p: len(gzip.compress((site / p).read_bytes(), 9)) for p in own}
    assert any(p.endswith("site.css") for p in sizes) and any(p.endswith(".js") for p in sizes), "Nothing of ours was loaded; the count would prove nothing."
    assert sum(sizes.values()) < OWN_BYTES, f"{sum(sizes.values())} bytes: {dict(sorted(sizes.items(), key=lambda x: -x[1]))}"


@pytest.mark.parametrize("kind", ["technique", "home"])
def test_a_page_is_there_within_a_second_on_a_slow_phone_and_nothing_jumps(kind: str, http_base: Base, browsing) -> None:
    """The best of five loads: what else the machine does only adds to the time."""
    page = browsing.open(http_base, KINDS[kind], fresh=True, width=390, height=844)
    page.add_init_script(f"({WATCH})()")
    slow = page.context.new_cdp_session(page)
    slow.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    slow.send("Network.setCacheDisabled", {"cacheDisabled": True})
    largest, shifts = [], []
    for _ in range(5):
        page.reload(wait_until="load")
        page.wait_for_timeout(300)
        seen = page.evaluate("() => window.seen")
        assert seen["largest"] > 0, "Nothing was painted."
        largest.append(seen["largest"] / 1000)
        shifts.append(seen["shift"])
    slow.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    assert min(largest) < LARGEST_SEEN, f"The largest thing seen came after {min(largest):.2f} s: {largest}"
    assert max(shifts) <= SHIFT, f"The page jumps: {shifts}"
