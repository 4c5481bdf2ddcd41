"""Sentences about devices, broker, alarms, the daemon itself and its log. Templates as in `fill`."""

from gatehand.journal.line import (
    ALARM_ACKNOWLEDGED,
    ALARM_STORM,
    ALARM_STORM_ENDED,
    CLOCK_STEPPED,
    COMMAND_NOT_SENT,
    CONFIG_LOADED,
    CONFIG_REJECTED,
    CONFIG_WAITS,
    DAEMON_STARTED,
    DAEMON_STOPPED,
    INTERNAL_ERROR,
    LOG_GAP,
    LOG_LATE,
    REFUSALS_COUNTED,
    RETAINED_COMMAND,
    SIGNAL_HEARD,
    SIGNAL_UNHEARD,
)
from gatehand.journal.sentences.fill import Table
from gatehand_rules.findings import Happened, Rule

TABLE: Table = {
    Happened.DEVICE_OFFLINE: {None: ("{subject}: its device is offline",)},
    Happened.DEVICE_ONLINE: {None: ("{subject}: its device is online again",)},
    Happened.MESSAGE_IGNORED: {
        Rule.STANDSTILL: ("[{subject}: ]{what} was ignored: Gatehand had stood still[ for {stood_for}]; press again",),
        None: ("[{subject}: ]a message was ignored[ ({what})][, {reason}]",),
    },
    Happened.BROKER_CONNECTED: {None: ("connected to the broker",)},
    Happened.BROKER_LOST: {
        None: ("the broker is gone[, last heard {heard_before!} ago]; nothing is commanded until it is back",)
    },
    Happened.STOPS_LOST: {None: ("the stop contacts' own connection is gone[: {why}]; nothing starts without it",)},
    Happened.STOPS_HEARD: {None: ("the stop contacts are heard[, after {unheard_for!}]",)},
    Happened.DAEMON_STOOD_STILL: {
        None: ("Gatehand stood still[ for {stood_for}]; what came meanwhile starts nothing",),
    },
    Happened.DAEMON_CAUGHT_UP: {None: ("Gatehand has read what had waited; what comes now counts again",)},
    Happened.ALARM_RAISED: {
        Rule.STOPS_UNHEARD: ("alarm: the stop contacts have not been heard[ for {unheard_for}]; nothing starts",),
        Rule.TRAVEL: ("alarm: {gate} did not {wanted}, travel {travel}",),
        Rule.GATE_BY_HAND_IS_SHUT: ("alarm[ for {subject}]: open this gate by hand: {gates}",),
        Rule.NOT_HEARD_LIVE: ("alarm[ for {subject}]: shut this gate and open it once: {gates}, {reason}",),
        Rule.STOP_CONTACT: ("alarm: stop contact {stop} is active",),
        Rule.BAD_VALUE: ("alarm: stop contact {stop} says {says}, which is neither its active nor its clear",),
        None: ("alarm {alarm}: {because}", "alarm for {subject}, {alarm}: {reason}", "alarm {alarm}[: {reason}]"),
    },
    Happened.ALARM_CLEARED: {None: ("alarm over[ for {subject}]: {alarm}",)},
    ALARM_ACKNOWLEDGED: {None: ("alarm seen[ by {by}]: {alarm}",)},
    ALARM_STORM: {
        None: ("alarm {alarm} comes and goes, {times} times within a minute: it stands until it has stayed away",)
    },
    ALARM_STORM_ENDED: {None: ("alarm over: {alarm}, {times} times in all, then away for {quiet_for}",)},
    DAEMON_STARTED: {None: ("Gatehand[ {version}] started[; starts of the last hour that still count: {starts}]",)},
    DAEMON_STOPPED: {None: ("Gatehand stopped[, {why}]",)},
    CONFIG_LOADED: {None: ("config loaded[ from {path}][, changed: {changed}]",)},
    CONFIG_REJECTED: {None: ("config rejected, the last good one stays in force[: {why}]",)},
    CLOCK_STEPPED: {None: ("the wall clock stepped[ by {by_seconds}]; nothing is timed by it",)},
    LOG_GAP: {
        None: (
            (
                "the log has a gap, lines lost: {lost}[ (numbers {first_lost} to {last_lost})]"
                "[, {unsure} may be][, {torn_bytes} bytes of a line cut short][; {why}]"
            ),
        )
    },
    LOG_LATE: {None: ("the disk stalled for {stalled}; commands that left before their lines were on disk: {late}",)},
    SIGNAL_UNHEARD: {None: ("[{subject}: ][stop contact {stop}: ]never heard: {topic} ({key})",)},
    SIGNAL_HEARD: {None: ("[{subject}: ][stop contact {stop}: ]heard for the first time: {topic} ({key})",)},
    REFUSALS_COUNTED: {None: ("{more} more times within {for_seconds}: {because}",)},
    CONFIG_WAITS: {None: ("the changed config waits[: {why}]",)},
    COMMAND_NOT_SENT: {None: ("the command {command}[ for {subject}] was not sent[: {why}]",)},
    RETAINED_COMMAND: {None: ("[{subject}: ]the broker retains a message on its command topic {topic}",)},
    INTERNAL_ERROR: {None: ("Gatehand made a mistake and holds every collector[: {text}]",)},
}
