"""What is counted instead of logged: refusals and rejected payloads that come again and again.

A script that asks for the same thing all day, or a device that sends rubbish ten times a second, must not fill the log:
the first few lines as they come, then a count every minute. Only what was refused and changed nothing is ever left out.
The rules know nothing of this: what they decide, a replay decides too.
"""

from typing import Final

from msgspec import Struct

from gatehand.config.signals import Kind
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.payload import Rejected
from gatehand_rules.events import MessageRejected
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


EVERY: Final = 60.0
"""Seconds between two lines about the same value of the same device."""


class Odd(Struct, frozen=True):
    """What a device said last, where that is not understood; since when it has said nothing else."""

    bad: Rejected
    since: float


class _Rejected(Struct):
    """What one device's value has been rejected for since the last line."""

    said_at: float
    last: Rejected
    more: int = 0


class Rejections:
    """Decides which rejected payloads become an event."""

    def __init__(self) -> None:
        self._spells: dict[tuple[Kind, str, str], _Rejected] = {}
        self.odd: dict[tuple[str, str, str], Odd] = {}
        """By kind, name and key: what is not understood now."""

    def understood(self, kind: str, name: str, key: str) -> None:
        """It said something that is."""
        self.odd.pop((kind, name, key), None)

    def say(self, kind: Kind, name: str, key: str, bad: Rejected, now: float) -> MessageRejected | None:
        """The event for a rejected payload; None when it is only counted. `key`: which of the device's values."""
        if bad.old:
            self.understood(kind, name, key)
        else:
            was = self.odd.get((kind, name, key))
            self.odd[kind, name, key] = Odd(bad, now if was is None else was.since)
        spell = self._spells.get((kind, name, key))
        if spell is None or (now - spell.said_at >= EVERY and not spell.more):
            self._spells[kind, name, key] = _Rejected(now, bad)
            return MessageRejected(kind, name, f"{key}: {bad.why}", bad.shown, old=bad.old)
        spell.more += 1
        spell.last = bad
        return None

    def overdue(self, now: float) -> tuple[MessageRejected, ...]:
        """The counts whose minute is over."""
        found = []
        for (kind, name, key), spell in self._spells.items():
            if spell.more and now - spell.said_at >= EVERY:
                why = f"{key}: {spell.more} more in the last {now - spell.said_at:.0f} s, the last: {spell.last.why}"
                found.append(MessageRejected(kind, name, why, spell.last.shown, old=spell.last.old))
                spell.said_at, spell.more = now, 0
        return tuple(found)
