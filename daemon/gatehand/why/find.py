"""Finds the moment when none is given: the last thing that should have happened and did not."""

from datetime import datetime, timedelta
from itertools import islice
from typing import Final

from gatehand.config import Config
from gatehand.journal.line import Line
from gatehand.journal.reader import EventReader
from gatehand.past.account import wall_ms
from gatehand.recording.format import EPOCH
from gatehand.why import of_collector
from gatehand.why.scene import Kind
from gatehand_rules.findings import Happened, Rule

NOT_HAPPENED: Final = frozenset(
    {
        Happened.START_MISSED,
        Happened.START_REFUSED,
        Happened.GATE_FAULT,
        Happened.COLLECTOR_UNANSWERED,
        Happened.FAN_UNSAFE,
        Happened.READING_REJECTED,
        Happened.RESET_REFUSED,
        Happened.TOOL_SILENT,
    }
)
"""Events that say so."""
_FARTHEST: Final = 200_000
"""Lines looked at, newest first."""
NEAR: Final = timedelta(minutes=5)


def last_missed(config: Config, reader: EventReader, subject: tuple[Kind, str] | None) -> tuple[Kind, str, Line] | None:
    """The subject and line of the last thing that did not happen: of this subject, or of any."""
    for line in islice(reader.backwards(), _FARTHEST):
        found = whose(config, line)
        if found is not None and did_not_happen(line) and (subject is None or _concerns(config, line, subject)):
            return (*(subject or found), line)
    return None


def nearest_missed(config: Config, reader: EventReader, at: datetime) -> tuple[Kind, str] | None:
    """Whose start, or whatever else, did not happen nearest to a moment; None when all went well around it."""
    near = reader.lines(at - NEAR, at + NEAR)
    found = [(line, whom) for line in near if did_not_happen(line) and (whom := whose(config, line)) is not None]
    moment = round((at - EPOCH) / timedelta(milliseconds=1))

    def distance(one: tuple[Line, tuple[Kind, str]]) -> int:
        return abs(moment_ms(one[0], wall_ms(str(one[0]["ts"]))) - moment)

    return min(found, key=distance)[1] if found else None


def did_not_happen(line: Line) -> bool:
    """Whether the line says that something did not happen that was wanted."""
    vetoed = line["event"] == Happened.COMMAND_VETOED and line.get("forced") is not True
    return vetoed or line["event"] in NOT_HAPPENED


def whose(config: Config, line: Line) -> tuple[Kind, str] | None:
    """The subject that a line is about, if the config has it."""
    tool, gate, collector = line.get("tool"), line.get("gate"), line.get("collector")
    if isinstance(tool, str) and tool in config.tool:
        return "tool", tool
    if isinstance(gate, str) and gate in config.gate:
        return "gate", gate
    if isinstance(collector, str) and collector in config.collector:
        return "collector", collector
    return None


def _concerns(config: Config, line: Line, subject: tuple[Kind, str]) -> bool:
    kind, name = subject
    if line.get(kind) == name:
        return kind != "collector" or line["event"] in of_collector.ANSWERS_FOR
    # A tool's start is also missed through its gates and its collector's lines that name no other tool.
    if kind != "tool" or line.get("tool"):
        return False
    if line.get("gate") in config.tool[name].gates:
        return line.get("wanted") != "shut"
    return (
        line.get("collector") == config.tool_collector(name)
        and not line.get("gate")
        and line.get("rule") in {Rule.CUT_ENDED_BEFORE_GATE, Rule.ANSWER}
    )


def moment_ms(line: Line, wall_ms: int) -> int:
    """The moment that a line is about: a missed rise ended when the line was written."""
    lasted = line.get("lasted") if line["event"] == Happened.START_MISSED else None
    return wall_ms - round(lasted * 500) if isinstance(lasted, int | float) else wall_ms
