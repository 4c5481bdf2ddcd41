"""Keeps a device that sends rubbish ten times a second from filling the log: the first, then a count every minute."""

from typing import Final, Literal

from msgspec import Struct, field

from gatehand.mqtt.payload import Rejected
from gatehand_rules.events import MessageRejected

EVERY: Final = 60.0
"""Seconds between two lines about the same value of the same device."""


class Odd(Struct, frozen=True):
    """What a device said last, where that is not understood; since when it has said nothing else."""

    bad: Rejected
    since: float


class _Spell(Struct):
    """What one device's value has been rejected for since the last line."""

    said_at: float
    more: int = 0
    last: Rejected = field(default_factory=lambda: Rejected("", ""))


class Rejections:
    """Decides which rejected payloads become an event."""

    def __init__(self) -> None:
        self._spells: dict[tuple[Literal["tool", "gate", "collector", "stop"], str, str], _Spell] = {}
        self.odd: dict[tuple[str, str, str], Odd] = {}
        """By kind, name and key: what is not understood now."""

    def understood(self, kind: str, name: str, key: str) -> None:
        """It said something that is."""
        self.odd.pop((kind, name, key), None)

    def say(
        self,
        kind: Literal["tool", "gate", "collector", "stop"],
        name: str,
        key: str,
        bad: Rejected,
        now: float,
    ) -> MessageRejected | None:
        """The event for a rejected payload; None when it is only counted. `key`: which of the device's values."""
        if bad.old:
            self.understood(kind, name, key)
        else:
            was = self.odd.get((kind, name, key))
            self.odd[kind, name, key] = Odd(bad, now if was is None else was.since)
        spell = self._spells.get((kind, name, key))
        if spell is None or (now - spell.said_at >= EVERY and not spell.more):
            self._spells[kind, name, key] = _Spell(now)
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
