"""What the exercise found: measured times, what is wrong, what is proposed. No judging here.

Below the records: the table at the end, for people and for programs, with the same facts.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from statistics import median
from typing import Final

import msgspec

from gatehand.config import Config
from gatehand.journal.sentences import spoken
from gatehand.measures import steady
from gatehand.rhythm import Rhythm, words
from gatehand.terminal import columns, paragraph, wrapped
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure, Position

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
    BROKEN_OFF = "broken_off"
    """The exercise ended amid it."""


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
    """One tool. Readings in the unit of `measure`. None: not seen. A contact's readings are 1 and 0; it has no peak.

    `seen_after`: seconds from its sensor's first word of the start until it counts as running. `seen_after_most`: the
    same from the word before that one, of a sensor that speaks by the clock: the tool was started between the two.
    Neither begins at the question: how long somebody walks to the tool is no delay of its sensor.
    """

    tool: str
    tried: bool
    measure: Measure = Measure.AMPS
    rest: float | None = None
    running: float | None = None
    peak: float | None = None
    seen_after: float | None = None
    seen_after_most: float | None = None
    remarks: tuple[Remark, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether something is wrong with it."""
        return is_failed(self.remarks)


@dataclass(frozen=True, slots=True)
class PressResult:
    """One stop contact, reset button or hand button. `heard`: its words since it was asked for, each once."""

    kind: str
    name: str
    key: str
    """In the config: contact, button or reset."""
    topic: str
    tried: bool
    heard: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether something is wrong with it."""
        return is_failed(self.remarks)

    @property
    def whose(self) -> str:
        """As a person names it."""
        of = {"contact": "stop contact", "reset": "reset button of collector"}.get(self.key, "button of gate")
        return f"{of} {spoken(self.name)}"


@dataclass(frozen=True, slots=True)
class MeterResult:
    """How often a tool's meter spoke during all of it. `rhythm` None: too little was heard to tell."""

    tool: str
    rhythm: Rhythm | None
    remarks: tuple[Remark, ...] = ()


@dataclass(slots=True)
class Result:
    """Everything, as it comes. `stopped`: why it did not go to its end."""

    gates: list[GateResult] = field(default_factory=list)
    tools: list[ToolResult] = field(default_factory=list)
    presses: list[PressResult] = field(default_factory=list)
    meters: list[MeterResult] = field(default_factory=list)
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
        parts: tuple[GateResult | ToolResult | PressResult, ...] = (*self.gates, *self.tools, *self.presses)
        wrong = any(each.failed for each in parts)
        return not (wrong or is_failed(self.unheard) or self.broken_off or self.stopped is not None)


# How it is shown


WIDTH: Final = 80
_HOW: Final = {
    How.REPORTED: "OK",
    How.TIMED: "OK, by eye",
    How.UNSEEN: "not looked at",
    How.BY_HAND: "OK, by hand",
    How.SKIPPED: "left out",
    How.BROKEN_OFF: "stopped early",
}


def text(result: Result) -> str:
    """Everything that stands at the end."""
    parts = [
        _gates(result.gates),
        _tools(result.tools),
        _meters(result.meters),
        _presses(result.presses),
        _remarks(result),
        _proposals(result),
        _end(result),
    ]
    return "\n\n".join("\n".join(part) for part in map(list, parts) if part)


def _gates(gates: Sequence[GateResult]) -> Iterator[str]:
    if not gates:
        return
    rows = [("GATE", "opens", "shuts", "travel", "")]
    for gate in gates:
        verdict = "FAILED" if gate.failed else _HOW[gate.how]
        opens, shuts = (_spread(gate.times(to)) for to in (Position.OPEN, Position.SHUT))
        if gate.how is How.BY_HAND:
            opens = shuts = ""
        rows.append((spoken(gate.gate), opens, shuts, f"{gate.travel:g}", verdict))
    yield from columns(rows)
    yield from wrapped(
        "Seconds from the command to the report: least / median / most. travel: what the config allows.",
        paragraph(WIDTH),
    )


def _spread(times: Sequence[float]) -> str:
    return "-" if not times else f"{min(times):.2f} / {median(times):.2f} / {max(times):.2f}"


def _tools(tools: Sequence[ToolResult]) -> Iterator[str]:
    if not tools:
        return
    rows: list[tuple[str, ...]] = [("TOOL", "at rest", "peak", "running", "seen after", "")]
    for tool in tools:
        verdict = "FAILED" if tool.failed else ("OK" if tool.tried else "not tried")
        after = "-" if tool.seen_after is None else _between(tool.seen_after, tool.seen_after_most)
        readings = ("-" if one is None else steady(tool.measure, one) for one in (tool.rest, tool.peak, tool.running))
        rows.append((spoken(tool.tool), *readings, after, verdict))
    yield from columns(rows)
    if any(tool.seen_after is not None for tool in tools):
        yield from wrapped(_SEEN_AFTER, WIDTH)


_SEEN_AFTER: Final = (
    "seen after: from the sensor's first reading of the start until the tool counts as running, start_after included. "
    "For a sensor that reports only at fixed intervals, the longer time counts from the reading before, because the "
    "tool was started between the two. Your walk to the tool is not counted."
)


def _between(least: float, most: float | None) -> str:
    shown = f"{least:.1f}", f"{least if most is None else most:.1f}"
    return f"{shown[0]} s" if shown[0] == shown[1] else f"{shown[0]} to {shown[1]} s"


def _presses(presses: Sequence[PressResult]) -> Iterator[str]:
    if not presses:
        return
    rows: list[tuple[str, ...]] = [("PRESSED", "on", "heard", "")]
    for each in presses:
        verdict = "FAILED" if each.failed else ("OK" if each.tried else "not tried")
        heard = ", ".join(map(repr, each.heard)) or ("nothing" if each.tried else "-")
        rows.append((each.whose, each.topic, heard, verdict))
    yield from columns(rows)


def _meters(meters: Sequence[MeterResult]) -> Iterator[str]:
    known = [(spoken(meter.tool), meter.rhythm) for meter in meters if meter.rhythm is not None]
    if known:
        yield "METERS"
        for tool, rhythm in known:
            yield from wrapped(f"  {tool}: {words(rhythm)}", paragraph(WIDTH))


def _remarks(result: Result) -> Iterator[str]:
    found = [
        *((f"gate {spoken(gate.gate)}", remark) for gate in result.gates for remark in gate.remarks),
        *((f"tool {spoken(tool.tool)}", remark) for tool in result.tools for remark in tool.remarks),
        *((each.whose, remark) for each in result.presses for remark in each.remarks),
        *((f"tool {spoken(meter.tool)}", remark) for meter in result.meters for remark in meter.remarks),
        *(("topic", remark) for remark in result.unheard),
    ]
    for weight, title in ((Weight.FAILED, "FAILED"), (Weight.LOOK, "LOOK AT")):
        some = [(whose, remark) for whose, remark in found if remark.weight is weight]
        if some:
            yield title
            for whose, remark in some:
                yield from wrapped(f"  {whose}: {remark.text}", paragraph(WIDTH))


def _proposals(result: Result) -> Iterator[str]:
    if toml := proposals(result):
        yield f"PROPOSED TRAVEL (the longest measured x {MARGIN:g}, rounded up to 0.1 s)"
        yield toml


def proposals(result: Result) -> str:
    """TOML of every measured gate."""
    lines = []
    for gate in (gate for gate in result.gates if gate.proposal is not None):
        now = "as it is" if gate.proposal == gate.travel else f"now {gate.travel:g}"
        lines += [
            f"[gate.{gate.gate}]",
            f"travel = {gate.proposal:g}   # measured {longest(gate.moves):.2f} at most; {now}",
        ]
    return "\n".join(lines)


def _end(result: Result) -> Iterator[str]:
    if result.stopped is not None:
        yield from wrapped(f"STOPPED: {result.stopped}. {result.made_safe}".rstrip(), paragraph(WIDTH))
    if result.broken_off:
        yield f"Stopped early. {result.made_safe}".rstrip()
    left = [gate for gate in result.gates if gate.left is not None]
    if left:
        where = ", ".join(
            f"{spoken(gate.gate)} {gate.left}{'' if gate.found else ' (not known before)'}" for gate in left
        )
        yield from wrapped(f"Gates were told to go back where they were found: {where}.", paragraph(WIDTH))
    yield from _about_hold(result)
    if not result.ok:
        yield "Not all is well."
    elif _left_out(result):
        yield "Nothing failed; what was left out is not proven."
    else:
        yield "All is well."


def _left_out(result: Result) -> bool:
    seen = {How.REPORTED, How.TIMED, How.BY_HAND}
    untried = any(not tool.tried for tool in result.tools) or any(not each.tried for each in result.presses)
    return untried or any(gate.how not in seen for gate in result.gates)


def _about_hold(result: Result) -> Iterator[str]:
    for name in result.held_before:
        yield f"The collector {name} was on hold before this, and still is."
    for name in result.held:
        yield f"The collector {name} is still on hold. When the shop is ready: gatehand reset {name}"
    if not result.with_daemon and (result.gates or result.stopped):
        yield "No daemon was running, so nothing was put on hold. The collectors were switched off."


def reset_topic(config: Config, collector: str) -> str:
    """Where a hold of this collector is reset."""
    return f"{config.broker.base}/collector/{collector}/reset"


def as_json(result: Result, config: Config) -> dict[str, object]:
    """The same for programs; times in seconds, readings in the unit of their measure, a contact's true or false."""
    gates = {
        gate.gate: {
            **_judged(gate, "gate", "moves"),
            "opens": _times_json(gate, Position.OPEN),
            "shuts": _times_json(gate, Position.SHUT),
        }
        for gate in result.gates
    }
    tools = {tool.tool: _judged(tool, "tool") | _by_contact(tool) for tool in result.tools}
    presses = [_judged(each) for each in result.presses]
    held = {name: {"reset_topic": reset_topic(config, name)} for name in result.held}
    plain = msgspec.to_builtins(result)
    found = {"gates": gates, "tools": tools, "presses": presses, "proposals": proposals(result)}
    return {"ok": result.ok, **plain, "held": held, **found}


def _judged(each: GateResult | ToolResult | PressResult, *without: str) -> dict[str, object]:
    plain = msgspec.to_builtins(each)
    return {"ok": not each.failed, **{key: value for key, value in plain.items() if key not in without}}


def _by_contact(tool: ToolResult) -> dict[str, object]:
    if tool.measure is not Measure.RUNNING:
        return {}
    said = {"rest": tool.rest, "running": tool.running}
    return {key: None if value is None else value >= CLOSED for key, value in said.items()}


def _times_json(gate: GateResult, to: Position) -> dict[str, object]:
    told = sum(1 for move in gate.moves if move.to is to)
    times = gate.times(to) if gate.how is not How.BY_HAND else []
    spread = {"min": min(times), "median": median(times), "max": max(times)} if times else {}
    return {"told": told, "times": times, **spread}
