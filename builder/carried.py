"""What of a page's text is HTML already, carried past the Markdown processor unread. Pure.

The pages of `render` are Markdown headings with blocks of HTML beneath. A Markdown processor reads every tag of such a
block only to hand it on as it was, which is most of the time a large site takes. So the blocks are taken out before and
put back after; a text that holds anything else goes through whole. A test compares both ways on every page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

# A block that the processor hands on as it is, from its first tag; another tag here would be wrapped in a paragraph.
_BLOCK = re.compile(r"<(?:article|aside|details|div|dl|fieldset|figure|footer|form|h[1-6]|nav|ol|p|pre|script|section|table|ul)\b")
_STAND_IN = '<div data-carried="{}"></div>'
_STANDS_IN = re.compile(r'<div data-carried="(\d+)"></div>')


def taken_out(text: str) -> tuple[str, list[str]]:
    """The text with each run of HTML blocks replaced by a stand-in, and the runs in order; the text itself and nothing if it holds more than headings and HTML."""
    parts: list[str] = []
    runs: list[str] = []
    run: list[str] = []
    for piece in text.strip().split("\n\n"):
        if piece.startswith("#"):
            if "\n" in piece:
                return text, []
            if run:
                parts.append(_STAND_IN.format(len(runs)))
                runs.append("\n\n".join(run))
                run = []
            parts.append(piece)
        elif "\n#" not in piece and (piece.lstrip().startswith("<") if run else _BLOCK.match(piece)):
            run.append(piece)
        else:
            return text, []
    if run:
        parts.append(_STAND_IN.format(len(runs)))
        runs.append("\n\n".join(run))
    return "\n\n".join(parts) + "\n", runs


def put_back(html: str, runs: Sequence[str]) -> str:
    """The converted text with every run in place of its stand-in. Raises ValueError if one is lost."""
    found = []

    def back(match: re.Match[str]) -> str:
        found.append(int(match.group(1)))
        return runs[found[-1]]

    whole = _STANDS_IN.sub(back, html) if runs else html
    if found != list(range(len(runs))):
        raise ValueError(f"{len(runs)} blocks of a page were taken out, {len(found)} put back.")
    return whole
