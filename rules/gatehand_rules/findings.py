"""What a step tells: each decision's rule and numbers as data, and every alarm. Sentences are made at the edge.

A changed shop knows by `alarms_of` which alarms can still stand. No f-string but the one here makes an alarm's id.
"""

from enum import StrEnum
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_rules.shop import Shop
from gatehand_rules.words import Record

Fact: TypeAlias = str | float | int | bool | None


class Happened(StrEnum):
    """Event names of the log: past tense, one for one thing."""

    TOOL_STARTED = "tool_started"
    TOOL_STOPPED = "tool_stopped"
    TOOL_SILENT = "tool_silent"
    TOOL_HEARD = "tool_heard"
    TOOL_MUTED = "tool_muted"
    RUN_ON_ENDED = "run_on_ended"
    START_MISSED = "start_missed"
    START_REFUSED = "start_refused"
    GATE_COMMANDED = "gate_commanded"
    GATE_OPEN = "gate_open"
    GATE_SHUT = "gate_shut"
    GATE_BETWEEN = "gate_between"
    GATE_UNHEARD = "gate_unheard"
    GATE_FAULT = "gate_fault"
    COLLECTOR_ON = "collector_on"
    COLLECTOR_RUNNING = "collector_running"
    COLLECTOR_STOOD = "collector_stood"
    COLLECTOR_OFF = "collector_off"
    COLLECTOR_WAITED = "collector_waited"
    COLLECTOR_KEPT_ON = "collector_kept_on"
    COLLECTOR_ADOPTED = "collector_adopted"
    COLLECTOR_UNANSWERED = "collector_unanswered"
    FAN_UNSAFE = "fan_unsafe"
    COMMAND_VETOED = "command_vetoed"
    HAND_STARTED = "hand_started"
    HAND_ENDED = "hand_ended"
    STOP_ACTIVE = "stop_active"
    STOP_CLEARED = "stop_cleared"
    COLLECTOR_HELD = "collector_held"
    HOLD_RESET = "hold_reset"
    RESET_REFUSED = "reset_refused"
    BIN_FULL = "bin_full"
    BIN_CLEARED = "bin_cleared"
    DEVICE_OFFLINE = "device_offline"
    DEVICE_ONLINE = "device_online"
    READING_REJECTED = "reading_rejected"
    MESSAGE_IGNORED = "message_ignored"
    BROKER_CONNECTED = "broker_connected"
    BROKER_LOST = "broker_lost"
    STOPS_LOST = "stops_lost"
    STOPS_HEARD = "stops_heard"
    DAEMON_STOOD_STILL = "daemon_stood_still"
    DAEMON_CAUGHT_UP = "daemon_caught_up"
    ALARM_RAISED = "alarm_raised"
    ALARM_CLEARED = "alarm_cleared"


class Rule(StrEnum):
    """Which rule spoke. Every id is met at least once in the tests."""

    START_THRESHOLD = "start_threshold"
    STOP_THRESHOLD = "stop_threshold"
    BELOW_START_THRESHOLD = "below_start_threshold"
    SHORTER_THAN_START_AFTER = "shorter_than_start_after"
    AFTER_SILENCE = "after_silence"
    NOT_CONFIRMED = "not_confirmed"
    RUN_ON = "run_on"
    RUN_LIMIT = "run_limit"
    SILENT_AFTER = "silent_after"
    FIRST_SEEN_DRAWING = "first_seen_drawing"
    BAD_VALUE = "bad_value"
    MAX_AGE = "max_age"
    RETAINED = "retained"
    UNKNOWN_NAME = "unknown_name"
    DEMAND = "demand"
    REST = "rest"
    ZONE_CHANGE = "zone_change"
    TRAVEL = "travel"
    REPORT = "report"
    RETRY = "retry"
    NOT_HEARD_LIVE = "not_heard_live"
    MOVED_BY_HAND = "moved_by_hand"
    NO_GATE_PROVEN = "no_gate_proven"
    GATE_BY_HAND_IS_SHUT = "gate_by_hand_is_shut"
    CUT_ENDED_BEFORE_GATE = "cut_ended_before_gate"
    MIN_OPEN = "min_open"
    MAX_OPEN = "max_open"
    STARTS_PER_HOUR = "starts_per_hour"
    REFRESH = "refresh"
    START_GAP = "start_gap"
    NO_DEMAND = "no_demand"
    ANSWER = "answer"
    ADOPTION = "adoption"
    SWITCHED_BY_HAND = "switched_by_hand"
    BUTTON = "button"
    HAND_LIMIT = "hand_limit"
    STOP_CONTACT = "stop_contact"
    HOLD = "hold"
    OFF_ASKED = "off_asked"
    RESET_REPEATED = "reset_repeated"
    RESET_PRESS = "reset_press"
    STOP_UNREAD = "stop_unread"
    NOT_FRESH = "not_fresh"
    BIN_FULL = "bin_full"
    OFFLINE = "offline"
    BROKER = "broker"
    SHUTDOWN = "shutdown"
    MAKE_BEFORE_BREAK = "make_before_break"
    FAN_AGAINST_SHUT_GATES = "fan_against_shut_gates"
    STOPS_UNHEARD = "stops_unheard"
    STANDSTILL = "standstill"


class Finding(Struct, frozen=True, kw_only=True):
    """One thing that happened or did not, the rule that said so, and the raw numbers it compared.

    `facts` is a tuple of (name, value) pairs; durations in seconds; a name tells any other unit.
    """

    event: Happened
    rule: Rule
    tool: str | None = None
    gate: str | None = None
    collector: str | None = None
    facts: tuple[tuple[str, Fact], ...] = ()


class Alarm(Record, frozen=True, order=True):
    """What is the matter with whom, such as the fault of a gate. `what` is one of `WHATS`, or the daemon's own word."""

    kind: str
    """Of the subject: tool, gate, collector, stop, daemon."""
    name: str
    what: str

    @property
    def id(self) -> str:
        """`kind.name.what`, fit for one topic level. Names hold no dots, so no two alarms share an id."""
        return f"{self.kind}.{self.name}.{self.what}"

    @classmethod
    def of(cls, id_: str) -> "Alarm | None":
        """The alarm of an id, or None where it is none."""
        parts = id_.split(".")
        return cls(*parts) if len(parts) == _PARTS and all(parts) else None


_PARTS = 3

WHATS: Final[dict[str, tuple[str, ...]]] = {
    "tool": ("not_fresh", "silent", "run_limit", "max_open", "not_served", "offline"),
    "gate": ("fault", "max_open", "not_served", "offline"),
    "collector": ("held", "no_answer", "shut_gates", "too_few_gates", "bin_full", "offline"),
    "stop": ("active", "unclear", "offline"),
    "daemon": ("stops_unheard",),
}
"""What an alarm of each kind of subject can be about."""


DAEMON: Final = "main"
"""The name in the daemon's own alarms."""


def alarms_of(shop: Shop) -> frozenset[Alarm]:
    """Every alarm that the rules can raise in this shop."""
    subjects = {**shop.names, "daemon": [DAEMON] if shop.stops else []}
    return frozenset(Alarm(kind, name, what) for kind in subjects for name in subjects[kind] for what in WHATS[kind])
