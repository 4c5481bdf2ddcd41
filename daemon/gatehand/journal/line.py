"""One line of the event log: a flat JSON object. Made here, encoded here, decoded here; files are the writer's.

A line has the fixed keys below, then the facts of its finding under their own names. A fact never hides a fixed key.
"""

import itertools
import json
import math
import secrets
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import TypeAlias

import msgspec

from gatehand.journal.clock import Clock
from gatehand.times import stamp
from gatehand_rules.findings import Fact, Finding, Happened, Rule
from gatehand_rules.timing import Timing

LogLine: TypeAlias = dict[str, Fact]

_SUBJECTS = ("tool", "gate", "collector")
FIXED = ("ts", "mono", "run", "seq", "synced", "event", *_SUBJECTS, "rule")
_PREFIX = "fact_"
_UNSYNCED: frozenset[str] = frozenset({Happened.READING_REJECTED, Happened.MESSAGE_IGNORED, Happened.GATE_BETWEEN})
"""Lines that may wait for the next sync: a chattering device shall not wear the disk out."""


_TELLINGS = Timing().tellings


class OwnEvent(StrEnum):
    """What the daemon itself writes beside the rules' findings (`Happened`)."""

    DAEMON_STARTED = "daemon_started"
    DAEMON_STOPPED = "daemon_stopped"
    CONFIG_LOADED = "config_loaded"
    CONFIG_REJECTED = "config_rejected"
    CONFIG_WAITS = "config_waits"
    CLOCK_STEPPED = "clock_stepped"
    COMMAND_NOT_SENT = "command_not_sent"
    RETAINED_COMMAND = "retained_command"
    INTERNAL_ERROR = "internal_error"
    ALARM_ACKNOWLEDGED = "alarm_acknowledged"
    ALARM_STORM = "alarm_storm"
    """An alarm comes and goes; it stays raised from now on."""
    ALARM_STORM_ENDED = "alarm_storm_ended"
    SIGNAL_UNHEARD = "signal_unheard"
    """A signal of the config has not been heard since the daemon's start, nor in an earlier run."""
    SIGNAL_HEARD = "signal_heard"
    """It has been heard now."""
    REFUSALS_COUNTED = "refusals_counted"
    """The same was asked for and refused again and again: how often, without a line for each."""
    SUCTION_MEASURED = "suction_measured"
    """What the suction was with a set of gates open, once they are no longer."""
    SUCTION_BASELINE_TAKEN = "suction_baseline_taken"
    SUCTION_BASELINES_VOID = "suction_baselines_void"
    """The ducts or the gates' names are others than when they were taken."""
    SUCTION_NOT_JUDGED = "suction_not_judged"
    """There is nothing to compare it with; told once for each reason."""
    LOG_GAP = "log_gap"
    LOG_LATE = "log_late"
    """The disk stalled and commands left before their explanation was on disk."""


_ENCODER = msgspec.json.Encoder()


class LineError(ValueError):
    """A line of a log file that is no event."""


def new_run(wall: float) -> str:
    """An id for one start of the daemon: its start in UTC, and four characters so that no two are alike."""
    return f"{datetime.fromtimestamp(wall, UTC):%Y%m%dT%H%M%S}-{secrets.token_hex(2)}"


class Stamper:
    """Gives lines their time, run and number. One for each start of the daemon."""

    def __init__(self, run: str, clock: Clock) -> None:
        self.run = run
        self.clock = clock
        self._numbers = itertools.count(1)

    def finding(self, finding: Finding, now: float) -> LogLine:
        """The line of a finding that the rules made at `now` (monotonic seconds)."""
        return self._stamped(now, None) | facts_of(finding)

    def note(
        self,
        event: str,
        now: float,
        *,
        facts: Mapping[str, Fact] | None = None,
        seq: int | None = None,
        **subject: str | None,
    ) -> LogLine:
        """A line of the daemon's own, such as `daemon_started`. `seq`: a number already taken by a lost line.

        `subject` is a tool, gate or collector, which may also be given among the facts.
        """
        own = {**(facts or {}), **{kind: name for kind, name in subject.items() if name is not None}}
        line = self._stamped(now, seq) | {"event": event}
        line |= {kind: own.pop(kind) for kind in _SUBJECTS if isinstance(own.get(kind), str)}
        return _with_facts(line, own.items())

    def _stamped(self, now: float, seq: int | None) -> LogLine:
        return {
            "ts": stamp(self.clock.wall()),
            "mono": round(now, 3),
            "run": self.run,
            "seq": next(self._numbers) if seq is None else seq,
            "synced": self.clock.synced(),
        }


def facts_of(finding: Finding) -> LogLine:
    """A finding as a line has it, without time and number."""
    line: LogLine = {"event": finding.event}
    for kind in _SUBJECTS:
        if (name := getattr(finding, kind)) is not None:
            line[kind] = name
    line["rule"] = finding.rule
    return _with_facts(line, finding.facts)


def _with_facts(line: LogLine, facts: Iterable[tuple[str, Fact]]) -> LogLine:
    for name, value in facts:
        key = name
        while key in FIXED or key in line:
            key = _PREFIX + key
        line[key] = str(value) if isinstance(value, float) and not math.isfinite(value) else value
    return line


def is_repeat(line: Mapping[str, Fact]) -> bool:
    """Whether it says again what was said: a command that the clock repeats, or a count of what came again."""
    match line.get("event"):
        case Happened.COLLECTOR_UNANSWERED:  # told again and again, while its alarm says so
            tries = line.get("tries")
            return isinstance(tries, int) and tries >= _TELLINGS
        case OwnEvent.REFUSALS_COUNTED:
            return True
        case Happened.READING_REJECTED:
            return bool(line.get("more"))
        case _:
            return line.get("rule") == Rule.REFRESH


def encode(line: LogLine) -> bytes:
    """The line as bytes with its newline. Half a surrogate pair, as a payload may hold, stays readable as an escape."""
    try:
        return _ENCODER.encode(line) + b"\n"
    except (UnicodeEncodeError, OverflowError):
        text = json.dumps(line, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return text.encode("utf-8", "backslashreplace") + b"\n"


def decode(raw: bytes) -> LogLine:
    """The event of one line, with or without its newline.

    Raises:
        LineError: It is no JSON object with `ts` and `event`; the text says what it is.
    """
    try:
        found = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise LineError(f"no JSON: {error}") from None
    if not isinstance(found, dict):
        raise LineError(f"a JSON {type(found).__name__}, not an object")
    if not isinstance(found.get("ts"), str) or not isinstance(found.get("event"), str):
        raise LineError('no "ts" and "event" in it')
    return found


def number_of(line: LogLine) -> int:
    """Its `seq`."""
    seq = line["seq"]
    return seq if isinstance(seq, int) else 0


def wants_sync(line: LogLine) -> bool:
    """Whether the line is to be synced right after it is written: commands, alarms, changes of state."""
    return line["event"] not in _UNSYNCED
