"""The table at the end, for people and for programs: the same facts. No judging here."""

from collections.abc import Iterator, Sequence
from statistics import median
from textwrap import wrap
from typing import Final

from gatehand.config import Config
from gatehand.exercise.judge import MARGIN
from gatehand.exercise.results import GateResult, How, Remark, Result, ToolResult, Weight
from gatehand.journal.sentences import spoken
from gatehand_rules.words import Position

WIDTH: Final = 80
_HOW: Final = {
    How.REPORTED: "well",
    How.TIMED: "well, by eye",
    How.UNSEEN: "not looked at",
    How.BY_HAND: "well, by hand",
    How.SKIPPED: "left out",
}


def text(result: Result, config: Config) -> str:
    """Everything that stands at the end."""
    parts = [_gates(result.gates), _tools(result.tools), _remarks(result), _proposals(result), _end(result, config)]
    return "\n\n".join("\n".join(part) for part in map(list, parts) if part)


def _gates(gates: Sequence[GateResult]) -> Iterator[str]:
    if not gates:
        return
    rows = [("GATE", "opens", "shuts", "travel", "")]
    for gate in gates:
        verdict = "FAILED" if gate.failed else _HOW[gate.how]
        times = [_spread(gate.times(to)) if gate.how is not How.BY_HAND else "" for to in Position if _is_end(to)]
        opens, shuts = times[1], times[0]
        rows.append((spoken(gate.gate), opens, shuts, f"{gate.travel:g}", verdict))
    yield from _table(rows)
    yield from _wrapped(
        "Seconds from the telling to the report: least / median / most. travel: what the config allows."
    )


def _is_end(to: Position) -> bool:
    return to is not Position.BETWEEN


def _spread(times: Sequence[float]) -> str:
    return "-" if not times else f"{min(times):.2f} / {median(times):.2f} / {max(times):.2f}"


def _tools(tools: Sequence[ToolResult]) -> Iterator[str]:
    if not tools:
        return
    rows = [("TOOL", "at rest", "peak", "running", "seen after", "")]
    for tool in tools:
        verdict = "FAILED" if tool.failed else ("well" if tool.tried else "not tried")
        after = "-" if tool.after is None else f"{tool.after:.1f} s"
        rows.append((spoken(tool.tool), _amps(tool.rest), _amps(tool.peak), _amps(tool.running), after, verdict))
    yield from _table(rows)


def _amps(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f} A"


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for first, *between, last in rows:
        cells = [cell.rjust(width) for cell, width in zip(between, widths[1:], strict=False)]
        yield "  ".join([first.ljust(widths[0]), *cells, last]).rstrip()


def _remarks(result: Result) -> Iterator[str]:
    found = [
        *((f"gate {spoken(gate.gate)}", remark) for gate in result.gates for remark in gate.remarks),
        *((f"tool {spoken(tool.tool)}", remark) for tool in result.tools for remark in tool.remarks),
        *(("topic", remark) for remark in result.unheard),
    ]
    for weight, title in ((Weight.FAILED, "FAILED"), (Weight.LOOK, "LOOK AT")):
        some = [(whose, remark) for whose, remark in found if remark.weight is weight]
        if some:
            yield title
            for whose, remark in some:
                yield from _wrapped(f"{whose}: {remark.text}", "  ")


def _proposals(result: Result) -> Iterator[str]:
    toml = proposals(result)
    if toml:
        yield f"PROPOSED TRAVEL (the longest measured x {MARGIN:g}, rounded up to 0.1 s)"
        yield toml


def proposals(result: Result) -> str:
    """TOML of every measured gate."""
    lines = []
    for gate in result.gates:
        if gate.proposal is None:
            continue
        longest = max(*gate.times(Position.OPEN), *gate.times(Position.SHUT), 0.0)
        now = "as it is" if gate.proposal == gate.travel else f"now {gate.travel:g}"
        lines += [f"[gate.{gate.gate}]", f"travel = {gate.proposal:g}   # measured {longest:.2f} at most; {now}"]
    return "\n".join(lines)


def _end(result: Result, config: Config) -> Iterator[str]:
    if result.stopped is not None:
        yield from _wrapped(f"STOPPED: {result.stopped}. {result.made_safe}".rstrip())
    if result.broken_off:
        yield f"Broken off. {result.made_safe}".rstrip()
    left = [gate for gate in result.gates if gate.left is not None]
    if left:
        said = ", ".join(
            f"{spoken(gate.gate)} {gate.left}{'' if gate.found else ' (not known before)'}" for gate in left
        )
        yield from _wrapped(f"Gates were told to go back where they were found: {said}.")
    yield from _about_hold(result, config)
    if not result.ok:
        yield "Not all is well."
    elif _left_out(result):
        yield "Nothing failed; what was left out is not proven."
    else:
        yield "All is well."


def _wrapped(text: str, indent: str = "") -> list[str]:
    # A topic stays whole, to be copied.
    further = indent + "  " if indent else ""
    return wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=further, break_long_words=False, break_on_hyphens=False
    )


def _left_out(result: Result) -> bool:
    seen = {How.REPORTED, How.TIMED, How.BY_HAND}
    return any(gate.how not in seen for gate in result.gates) or any(not tool.tried for tool in result.tools)


def _about_hold(result: Result, config: Config) -> Iterator[str]:
    for name in result.held_before:
        yield f"The collector {name} was held before this, and still is."
    for name in result.held:
        topic = reset_topic(config, name)
        login = " as a user who may write there" if config.broker.username else ""
        yield from _wrapped(
            f"The collector {name} is still held. When the shop is ready, reset it: publish anything, not retained, to "
            f"{topic}{login}, for instance:"
        )
        yield f"  mosquitto_pub -h {config.broker.host} -p {config.broker.port} -t '{topic}' -m 1"
    if not result.with_daemon and (result.gates or result.stopped):
        yield "No daemon ran: nothing is held. The collectors were told off."


def reset_topic(config: Config, collector: str) -> str:
    """Where a hold of this collector is reset."""
    return f"{config.broker.base}/collector/{collector}/reset"


def as_json(result: Result, config: Config) -> dict[str, object]:
    """The same for programs; times in seconds, currents in ampere."""
    return {
        "ok": result.ok,
        "stopped": result.stopped,
        "broken_off": result.broken_off,
        "made_safe": result.made_safe,
        "with_daemon": result.with_daemon,
        "held": {name: {"reset_topic": reset_topic(config, name)} for name in result.held},
        "held_before": list(result.held_before),
        "gates": {gate.gate: _gate_json(gate) for gate in result.gates},
        "tools": {
            tool.tool: {
                "ok": not tool.failed,
                "tried": tool.tried,
                "rest": tool.rest,
                "peak": tool.peak,
                "running": tool.running,
                "seen_after": tool.after,
                "remarks": _remarks_json(tool.remarks),
            }
            for tool in result.tools
        },
        "unheard": _remarks_json(result.unheard),
        "proposals": proposals(result),
    }


def _gate_json(gate: GateResult) -> dict[str, object]:
    return {
        "ok": not gate.failed,
        "how": str(gate.how),
        "found": None if gate.found is None else str(gate.found),
        "left": None if gate.left is None else str(gate.left),
        "travel": gate.travel,
        "proposal": gate.proposal,
        "opens": _times_json(gate, Position.OPEN),
        "shuts": _times_json(gate, Position.SHUT),
        "remarks": _remarks_json(gate.remarks),
    }


def _times_json(gate: GateResult, to: Position) -> dict[str, object]:
    told = sum(1 for move in gate.moves if move.to is to)
    times = gate.times(to) if gate.how is not How.BY_HAND else []
    spread = {"min": min(times), "median": median(times), "max": max(times)} if times else {}
    return {"told": told, "times": times, **spread}


def _remarks_json(remarks: Sequence[Remark]) -> list[dict[str, str]]:
    return [{"weight": str(remark.weight), "text": remark.text} for remark in remarks]
