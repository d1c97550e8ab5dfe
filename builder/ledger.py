"""What the whole site rests on, counted and listed: every figure, what is still recalled, what is habit only. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from .link import Linked, Statement
from .model import CHECKED, PRACTICE, Citation

STANDINGS = (*CHECKED, PRACTICE)


@dataclass(frozen=True, slots=True)
class Ledger:
    """The statements of the site by what they rest on, each list in page order.

    figures: every number: quantities, the published figures beside them, and the numbers calculators bring themselves.
    claims: every other statement.
    recalled: (citation, statement) for each citation from memory; what the department has still to confirm.
    practice: statements and figures without any published source.
    flagged: (citation, statement) for each citation of a source that was withdrawn or superseded.
    """

    figures: tuple[Statement, ...]
    claims: tuple[Statement, ...]
    recalled: tuple[tuple[Citation, Statement], ...]
    practice: tuple[Statement, ...]
    flagged: tuple[tuple[Citation, Statement], ...]

    def standings(self, statements: tuple[Statement, ...]) -> Mapping[str, int]:
        """How many statements have each standing, every standing present."""
        found = Counter(s.basis.standing for s in statements)
        return {standing: found[standing] for standing in STANDINGS}

    def in_words(self) -> list[str]:
        """The counts, a sentence a line, for the end of a build."""
        lines = [f"{len(which)} {name}: " + ", ".join(f"{n} {standing}" for standing, n in self.standings(which).items())
                 for name, which in (("figures", self.figures), ("claims", self.claims))]
        lines.append(f"Recalled from memory and not yet confirmed: {len(self.recalled)}. "
                     f"Resting on a withdrawn or superseded source: {len(self.flagged)}.")
        return lines


def ledger(linked: Linked) -> Ledger:
    """The ledger of a linked library; a calculator that is switched off is not on the site and not in it."""
    library = linked.library
    shown = tuple(s for s in linked.statements if linked.shows(s))
    cited = [(c, s) for s in shown for c in s.basis.citations]
    return Ledger(
        figures=tuple(s for s in shown if s.amount),
        claims=tuple(s for s in shown if not s.amount),
        recalled=tuple((c, s) for c, s in cited if c.checked == "memory"),
        practice=tuple(s for s in shown if not s.basis.citations),
        flagged=tuple((c, s) for c, s in cited if (source := library.sources.get(c.source)) and (source.withdrawn or source.superseded_by)),
    )
