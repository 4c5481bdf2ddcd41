"""Cuts and the pauses between them: a tool's readings through its two thresholds, without delays."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from gatehand.past.cursor import first_outside
from gatehand.past.deadband import HIGHEST, LOWEST, Deadband
from gatehand.past.stretches import Track

if TYPE_CHECKING:
    from array import array

AWAY_MS = 30 * 60_000
"""A pause this long is no pause between cuts but the end of the work."""


@dataclass(frozen=True, slots=True)
class Spell:
    """Drawing, from the first reading at or above the start threshold to the first one below the stop threshold, ms."""

    start: int
    end: int

    @property
    def lasted(self) -> int:
        """How long, ms."""
        return self.end - self.start


def spells(track: Track, start_ma: int, stop_ma: int) -> Iterator[Spell]:
    """All spells that the track holds whole. What is drawing at its start or end is not counted."""
    ms, ma = track.ms, track.ma
    at = _next(ma, 0, Deadband(stop_ma, HIGHEST))  # drawing from the start: wait for its end
    while (begun := _next(ma, at, Deadband(LOWEST, start_ma))) < len(ma):
        at = _next(ma, begun, Deadband(stop_ma, HIGHEST))
        if at >= len(ma):
            return
        yield Spell(ms[begun], ms[at])


def _next(ma: "array[int]", at: int, inside: Deadband) -> int:
    return first_outside(ma, at, len(ma), inside)


def joined(found: Iterable[Spell], shorter_than: int) -> list[Spell]:
    """Spells with the pauses shorter than this taken as part of them."""
    whole: list[Spell] = []
    for spell in found:
        if whole and spell.start - whole[-1].end < shorter_than:
            whole[-1] = Spell(whole[-1].start, spell.end)
        else:
            whole.append(spell)
    return whole


def pauses(found: Iterable[Spell]) -> list[int]:
    """The pauses between spells, ms, without those that end the work."""
    return [after.start - before.end for before, after in pairwise(found) if after.start - before.end < AWAY_MS]
