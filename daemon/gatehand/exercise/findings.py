"""What the exercise found, as records: measured times, what is wrong, what is proposed. No judging here."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from gatehand_rules.words import Position

MARGIN: Final = 1.25
"""On the longest travel measured: common practice, no published source. Seals swell and drives age."""
STEP: Final = 0.1
"""Proposals are rounded up to this, seconds."""


class Weight(StrEnum):
    """How much a remark weighs."""

    FAILED = "failed"
    LOOK = "look"
    """Nothing failed, but somebody should look at it."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to say, in a sentence."""

    weight: Weight
    text: str


def failed(text: str) -> Remark:
    """Something is wrong."""
    return Remark(Weight.FAILED, text)


def look(text: str) -> Remark:
    """Something to look at."""
    return Remark(Weight.LOOK, text)


def is_failed(remarks: Sequence[Remark]) -> bool:
    """Whether one of them says that something is wrong."""
    return any(remark.weight is Weight.FAILED for remark in remarks)


@dataclass(frozen=True, slots=True)
class Move:
    """One telling of a gate. `took`: seconds to its report (or to the person's Enter), None: none came."""

    to: Position
    took: float | None = None
    opposite: bool = False
    """It reported the other position instead."""
    others: tuple[str, ...] = ()
    """Gates that reported this position meanwhile."""
    words: tuple[str, ...] = ()
    """What it said that is neither its open nor its shut."""


def longest(moves: Sequence[Move]) -> float | None:
    """The longest time measured, seconds; None without a measurement."""
    return max((move.took for move in moves if move.took is not None), default=None)


def proposal(moves: Sequence[Move]) -> float | None:
    """The `travel` to set, seconds: the longest measured, with the margin, rounded up; None without a measurement."""
    most = longest(moves)
    return None if most is None else max(STEP, round(math.ceil(round(most * MARGIN / STEP, 6)) * STEP, 1))


class How(StrEnum):
    """How a gate was exercised."""

    REPORTED = "reported"
    TIMED = "timed"
    """By the person's Enter, for it cannot report."""
    UNSEEN = "unseen"
    """Moved, and nobody looked."""
    BY_HAND = "by_hand"
    """Moved by the person's hand."""
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class GateResult:
    """One gate. `found`: where it stood before, None: not known; `left`: where it was told to go in the end."""

    gate: str
    how: How
    moves: tuple[Move, ...] = ()
    remarks: tuple[Remark, ...] = ()
    travel: float = 0.0
    proposal: float | None = None
    found: Position | None = None
    left: Position | None = None

    @property
    def failed(self) -> bool:
        """Whether something is wrong with it."""
        return is_failed(self.remarks)

    def times(self, to: Position) -> list[float]:
        """Measured times of one direction, seconds."""
        return [move.took for move in self.moves if move.to is to and move.took is not None]


@dataclass(frozen=True, slots=True)
class ToolResult:
    """One tool. Currents in ampere, `seen_after` in seconds from the question to the detection; None: not seen."""

    tool: str
    tried: bool
    rest: float | None = None
    running: float | None = None
    peak: float | None = None
    seen_after: float | None = None
    remarks: tuple[Remark, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether something is wrong with it."""
        return is_failed(self.remarks)


@dataclass(slots=True)
class Result:
    """Everything, as it comes. `stopped`: why it did not go to its end."""

    gates: list[GateResult] = field(default_factory=list)
    tools: list[ToolResult] = field(default_factory=list)
    unheard: tuple[Remark, ...] = ()
    with_daemon: bool = False
    held: tuple[str, ...] = ()
    held_before: tuple[str, ...] = ()
    stopped: str | None = None
    broken_off: bool = False
    made_safe: str = ""

    @property
    def ok(self) -> bool:
        """Nothing failed, and it went to its end."""
        wrong = any(each.failed for each in self.gates) or any(each.failed for each in self.tools)
        return not (wrong or is_failed(self.unheard) or self.broken_off or self.stopped is not None)
