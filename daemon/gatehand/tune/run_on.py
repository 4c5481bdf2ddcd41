"""What each run-on would cost and spare: minutes of the collector, restarts, and the share of pauses it bridges.

Counted for one tool as if it alone had the collector; where tools share it, both figures are lower.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from gatehand.tune.spells import Spell, pauses

CHOICES_S: Final = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0)
WORTH_S: Final = 60.0
"""Seconds of running that one restart spared may cost: common practice, no published source."""
FEW_PAUSES: Final = 10


@dataclass(frozen=True, slots=True)
class RunOn:
    """One choice. `minutes` and `restarts` are for the whole of the recording; `bridged` is a share of the pauses."""

    seconds: float
    minutes: float
    restarts: int
    bridged: float


def choices(pieces: Sequence[Sequence[Spell]], also: float | None = None) -> list[RunOn]:
    """A row for each run-on; `also`: the one in force, if it is not among them."""
    spans = [pause for piece in pieces for pause in pauses(piece)]
    cuts_ms = sum(spell.lasted for piece in pieces for spell in piece)
    count = sum(len(piece) for piece in pieces)
    rows = []
    for seconds in sorted({*CHOICES_S, *(() if also is None else (also,))}):
        limit = round(seconds * 1000)
        bridged = [span for span in spans if span <= limit]
        restarts = count - len(bridged)
        on_ms = cuts_ms + sum(bridged) + restarts * limit
        rows.append(RunOn(seconds, on_ms / 60_000, restarts, len(bridged) / len(spans) if spans else 0.0))
    return rows


def advised(rows: Sequence[RunOn]) -> RunOn | None:
    """The longest run-on up to which each restart spared costs no more than `WORTH_S` of running."""
    best: RunOn | None = None
    for row in rows:
        if best is None:
            best = row
            continue
        spared = best.restarts - row.restarts
        if spared > 0 and (row.minutes - best.minutes) * 60 <= WORTH_S * spared:
            best = row
    return best
