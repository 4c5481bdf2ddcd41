"""Keeps a script that asks for the same thing all day from filling the log: a few refusals as they come, then a count.

Only what was refused and changed nothing is ever left out. The rules know nothing of this: what they decide, a replay
decides too.
"""

from typing import Final

from msgspec import Struct

from gatehand.journal.sentences import sentence_of
from gatehand_rules.findings import Fact, Finding, Happened

WINDOW: Final = 60.0
"""Seconds within which equal refusals count together."""
MOST: Final = 5
"""Lines about equal refusals within a window: more than anybody presses a button in vain."""
_REFUSALS: Final = frozenset({Happened.START_REFUSED, Happened.RESET_REFUSED, Happened.MESSAGE_IGNORED})


class _Spell(Struct):
    """Equal refusals since `since`: so many as lines of their own, and more that were only counted."""

    last: Finding
    since: float
    said: int = 0
    more: int = 0


class Repeats:
    """Decides which findings become a line. Refusals are equal when event, rule and subject are; numbers may differ."""

    def __init__(self) -> None:
        self._spells: dict[tuple[str | None, ...], _Spell] = {}

    def is_said(self, finding: Finding, now: float) -> bool:
        """Whether it becomes a line; else it is counted."""
        if finding.event not in _REFUSALS:
            return True
        key = (finding.event, finding.rule, finding.tool, finding.gate, finding.collector)
        spell = self._spells.setdefault(key, _Spell(finding, now))
        if not spell.more and now - spell.since >= WINDOW:
            spell.since, spell.said = now, 0
        spell.last = finding
        if spell.said < MOST:
            spell.said += 1
            return True
        spell.more += 1
        return False

    def counted(self, now: float) -> tuple[dict[str, Fact], ...]:
        """The facts of the counts whose window is over, once each."""
        found: list[dict[str, Fact]] = []
        for key, spell in list(self._spells.items()):
            if now - spell.since < WINDOW:
                continue
            if not spell.more:
                del self._spells[key]
                continue
            last = spell.last
            subject = {"tool": last.tool, "gate": last.gate, "collector": last.collector}
            found.append(
                {
                    "what": last.event,
                    "because": sentence_of(last),
                    "more": spell.more,
                    "for_seconds": round(now - spell.since, 3),
                    **{kind: name for kind, name in subject.items() if name is not None},
                }
            )
            # What goes on is counted on, without another line of its own.
            spell.since, spell.said, spell.more = now, MOST, 0
        return tuple(found)
