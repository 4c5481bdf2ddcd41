"""What the exercise found, as records: measured times, what is wrong, what is proposed. No judging here."""

from dataclasses import dataclass
from enum import StrEnum

from gatehand_rules.words import Position


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
        return any(remark.weight is Weight.FAILED for remark in self.remarks)

    def times(self, to: Position) -> list[float]:
        """Measured times of one direction, seconds."""
        return [move.took for move in self.moves if move.to is to and move.took is not None]


@dataclass(frozen=True, slots=True)
class ToolResult:
    """One tool. Currents in ampere, `after` in seconds from the question to the detection; None: not seen."""

    tool: str
    tried: bool
    rest: float | None = None
    running: float | None = None
    peak: float | None = None
    after: float | None = None
    remarks: tuple[Remark, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether something is wrong with it."""
        return any(remark.weight is Weight.FAILED for remark in self.remarks)


@dataclass(frozen=True, slots=True)
class Result:
    """Everything. `stopped`: why it did not go to its end."""

    gates: tuple[GateResult, ...] = ()
    tools: tuple[ToolResult, ...] = ()
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
        failed = any(gate.failed for gate in self.gates) or any(tool.failed for tool in self.tools)
        unheard = any(remark.weight is Weight.FAILED for remark in self.unheard)
        return not (failed or unheard or self.broken_off or self.stopped is not None)
