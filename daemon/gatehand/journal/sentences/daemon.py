"""Sentences about devices, broker, alarms, the daemon itself and its log. Templates as in `fill`."""

from gatehand.journal.line import (
    CLOCK_STEPPED,
    CONFIG_LOADED,
    CONFIG_REJECTED,
    DAEMON_STARTED,
    DAEMON_STOPPED,
    LOG_GAP,
    LOG_LATE,
)
from gatehand_rules.findings import Happened, Rule

TABLE: dict[str, dict[str | None, str]] = {
    Happened.DEVICE_OFFLINE: {None: "{subject}: its device is off line"},
    Happened.DEVICE_ONLINE: {None: "{subject}: its device is back on line"},
    Happened.MESSAGE_IGNORED: {None: "[{subject}: ]a message was ignored[ ({what})][, {reason}]"},
    Happened.BROKER_CONNECTED: {None: "connected to the broker"},
    Happened.BROKER_LOST: {
        None: "the broker is gone[, last heard {heard_before!} ago]; nothing is commanded until it is back"
    },
    Happened.ALARM_RAISED: {
        Rule.TRAVEL: "alarm: {gate} did not {wanted}, travel {travel}",
        Rule.GATE_BY_HAND_IS_SHUT: "alarm[ for {subject}]: open this gate by hand: {gates}",
        Rule.SHUTDOWN: "alarm {alarm}, {reason}",
        None: "alarm {alarm}[: {reason}]",
    },
    Happened.ALARM_CLEARED: {None: "alarm over: {alarm}"},
    DAEMON_STARTED: {None: "Gatehand[ {version}] started"},
    DAEMON_STOPPED: {None: "Gatehand stopped[, {why}]"},
    CONFIG_LOADED: {None: "config loaded[ from {path}]"},
    CONFIG_REJECTED: {None: "config rejected, the last good one stays in force[: {why}]"},
    CLOCK_STEPPED: {None: "the wall clock stepped[ by {by_seconds}]; nothing is timed by it"},
    LOG_GAP: {
        None: "the log has a gap: {lost} lines lost[ (numbers {first_lost} to {last_lost})]"
        "[, {unsure} may be][, {torn_bytes} bytes of a line cut short][; {why}]"
    },
    LOG_LATE: {None: "the disk stalled for {stalled}: {late} commands left before their lines were on disk"},
}
