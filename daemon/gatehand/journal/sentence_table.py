"""The table of sentences: for each event of the log, and each rule by which it came, what a woodworker reads.

`{key}` is a fact or `tool`, `gate`, `collector`, `subject`, `reason`; of a sensor, whatever it measures, `reading`,
`last_reading`, `start_threshold`, `stop_threshold`, and `contact`, where it is one; of a fan `witnesses`,
`just_heard` and `look_at` (`witness_words`); of a device `offline`, of a gate `never_heard`, of a message `ignored`,
of a hold `on_hold`, of gates `the_gates`, `gates_are`, `gates_were`, `gates_them`, of lost lines `lost_numbers`.
`{key:gate}` counts: 1 gate, 2 gates; `{key:th}` is 1st, 2nd. What stands in square brackets is left out when a fact
within is missing, or, for `{key!}`, when it is also 0, false or empty. No code in here: `sentences` fills them.
"""

from typing import Final, TypeAlias

from gatehand.journal.line import OwnEvent
from gatehand_rules.findings import Happened, Rule

Templates: TypeAlias = str | tuple[str, ...]
"""A sentence; of several the first counts whose facts are all there, else the last."""

TABLE: Final[dict[str, Templates | dict[str | None, Templates]]] = {
    # Tools and their readings
    Happened.TOOL_STARTED: {
        Rule.START_THRESHOLD: (
            "{tool} started[: {reading}, at or above its {start_threshold}][: {contact}][ for {start_after!}]"
        ),
        Rule.AFTER_SILENCE: (
            "{tool} started[: {reading}, at or above its {start_threshold}][: {contact}][ for {start_after!}]; "
            "after a silence its start had to be confirmed[, which took {waited!}]: {confirmed_by}"
        ),
        None: "{tool} started[, {reason}]",
    },
    Happened.TOOL_STOPPED: {
        Rule.STOP_THRESHOLD: (
            "{tool} stopped[ after {ran_for}][: {reading}, below its {stop_threshold}][: {contact}]"
            "[ for {stop_after!}][; run-on {run_on!}]"
        ),
        None: "{tool} stopped[, {reason}]",
    },
    Happened.TOOL_SILENT: {
        Rule.SILENT_AFTER: (
            "{tool}: its sensor is heard, but not understood: on {topic} it said {says} ({wanted})[; it was {was}]",
            (
                "{tool}: its device is heard, but without its {key} for {silent_after}: "
                "on {topic} it said {beside} ({wanted})[; it was {was}]"
            ),
            "{tool}: no reading from its sensor for {silent_after}[; it was {was}][, last reading {last_reading}]",
        ),
        None: "{tool} is silent[, {reason}]",
    },
    Happened.TOOL_HEARD: (
        "{tool}: its sensor is understood again[ after {silent_for}] (it had said {says})[: {reading}]",
        "{tool}: its device is heard with its {key} again[ after {silent_for}][: {reading}]",
        "{tool}: its sensor is heard again[ after {silent_for}][: {reading}]",
    ),
    Happened.TOOL_MUTED: "{tool} is muted until it has stopped[, {reason}]"
    "[ (it must fall below {stop_amps})][ (it must fall below {stop_watts})]",
    Happened.RUN_ON_ENDED: {
        Rule.RUN_ON: ("{tool}: its run-on of {run_on!} is over", "{tool} is idle"),
        Rule.BUTTON: "{tool}: its run-on was ended with the button",
        Rule.SILENT_AFTER: "{tool}: its run-on[ of {run_on!}] is over, and its sensor is still silent",
        None: "{tool}: run-on ended[, {reason}]",
    },
    Happened.START_MISSED: {
        Rule.BELOW_START_THRESHOLD: (
            "{tool} did not count as running: it drew {peak} at most[ in {lasted}], below its {start_threshold}"
        ),
        Rule.SHORTER_THAN_START_AFTER: (
            (
                "{tool} did not count as running: it drew up to {peak}, but was at or above its "
                "{start_threshold} for only {above_for}; its start_after is {start_after}"
            ),
            (
                "{tool} did not count as running: its contact said running for only {above_for}; its start_after is "
                "{start_after}"
            ),
        ),
        Rule.NOT_CONFIRMED: (
            (
                "{tool} did not count as running: it drew {peak}[ for {above_for!}], at or above its "
                "{start_threshold}, but after a silence nothing confirmed that this was new"
            ),
            (
                "{tool} did not count as running: its contact said running[ for {above_for!}], but after a silence "
                "nothing confirmed that this was new"
            ),
        ),
        Rule.CUT_ENDED_BEFORE_GATE: (
            "[{tool}: ]the work ended before a gate was open[, after a wait of {waited!}], so the "
            "{collector} was not started"
        ),
        None: "[{subject}: ]a start was missed[, {reason}]",
    },
    Happened.START_REFUSED: {
        Rule.FIRST_SEEN_DRAWING: (
            ("start refused: {tool} was already running when first seen ({contact}); switch it off and on again"),
            ("start refused: {tool} was already running when first seen[ ({reading})]; switch it off and on again"),
        ),
        Rule.NOT_FRESH: (
            (
                "start refused: {tool} was already running ({contact}) when the hold was reset; "
                "switch it off and on again"
            ),
            (
                "start refused: {tool} was already running[ ({reading})] when the hold was reset; "
                "switch it off and on again"
            ),
        ),
        Rule.MAX_OPEN: "start refused[ for {subject}]: no more than {max_open:gate} may be open[, in use by {taken}]",
        Rule.MIN_OPEN: "start refused[ for {subject}]: {proven_open:gate} proven open, min_open is {min_open}",
        Rule.NO_GATE_PROVEN: "start refused[ for {subject}]: no gate is proven open[ ({gates})]",
        Rule.GATE_BY_HAND_IS_SHUT: "start refused[ for {subject}]: {gates_are} shut; open {gates_them} by hand",
        Rule.NOT_HEARD_LIVE: "start refused[ for {subject}]: {reason}; shut and open {the_gates} once by hand",
        Rule.HOLD: "start refused[ for {subject}]: the collector is on hold until somebody resets it",
        Rule.BROKER: "start refused[ for {subject}]: it was asked for before the broker was lost; ask again",
        Rule.BIN_FULL: "start refused[ for {subject}]: the bin is full",
        Rule.SWITCHED_BY_HAND: "start refused[ for {subject}]: somebody switched the collector off at its own switch",
        Rule.OFF_ASKED: (
            (
                "start refused: {tool} was already running ({contact}) when the collector was switched off; "
                "switch it off and on again"
            ),
            (
                "start refused: {tool} was already running[ ({reading})] when the collector was switched off; "
                "switch it off and on again"
            ),
        ),
        None: "start refused[ for {subject}][: {reason}]",
    },
    Happened.READING_REJECTED: {
        Rule.RETAINED: "[{subject}: ]a reading kept by the broker was not used[ ({reading})]: its age is unknown",
        Rule.MAX_AGE: "[{subject}: ]reading not used: {why}[; it said {shown!}]",
        Rule.BAD_VALUE: "[{subject}: ][stop contact {stop}: ]message not used: {why}[; it said {shown!}]",
        None: "[{subject}: ]message not used[, {reason}]",
    },
    # Gates and hand starts
    Happened.GATE_COMMANDED: {
        Rule.DEMAND: "{gate} told to {to}",
        Rule.ZONE_CHANGE: (
            "{gate} told to {to} in place of {instead_of}",
            "{gate} told to {to}, no longer needed here",
        ),
        Rule.RETRY: "{gate} told to {to} again, {reason}[ ({tries} of {retries})]",
        Rule.NOT_HEARD_LIVE: "{gate} told to {to} once, so that it reports when it opens: {reason}",
        Rule.BROKER: "{gate} told to {to} again, the broker is back",
        None: "{gate} told to {to}[, {reason}]",
    },
    Happened.GATE_OPEN: {
        Rule.REPORT: "{gate} is open: it reported[ after {took!}][, {late_by!} later than its travel of {travel}]",
        Rule.TRAVEL: "{gate} is open: its travel of {travel} has passed",
        Rule.MOVED_BY_HAND: ("{gate} was opened by {by}", "{gate} was opened by hand"),
        None: "{gate} is open[, {reason}]",
    },
    Happened.GATE_SHUT: {
        Rule.REPORT: "{gate} is shut: it reported[ after {took!}][, {late_by!} later than its travel of {travel}]",
        Rule.TRAVEL: "{gate} is shut: its travel of {travel} has passed",
        Rule.MOVED_BY_HAND: ("{gate} was shut by {by}", "{gate} was shut by hand"),
        None: "{gate} is shut[, {reason}]",
    },
    Happened.GATE_BETWEEN: {
        Rule.RETAINED: "{gate} is no longer taken for open: a message kept by the broker says {says}",
        None: "{gate} is neither open nor shut[: it says {says}]",
    },
    Happened.GATE_UNHEARD: "{gate} was told to {wanted} and has not said where it is; it may be {wanted} already",
    Happened.GATE_FAULT: (
        "{gate} did not {wanted}[ in {waited}][ with {retries!}]; {offline}",
        (
            "{gate} did not {wanted}[ in {waited}][ with {retries!}] (travel {travel}); it says {says}, "
            "which is neither its open nor its shut"
        ),
        "{gate} {never_heard}, though it was told to {wanted}[ {waited} ago][, with {retries!}] (travel {travel})",
        "{gate} did not {wanted}[ in {waited}][ with {retries!}] (travel {travel})[; it reports {reported}]",
    ),
    Happened.HAND_STARTED: {
        Rule.BUTTON: (
            "{gate}: hand start asked for by {by}[ ({because})], for {hand_limit} at most",
            "{gate}: hand start with its button[ ({because})], for {hand_limit} at most",
            "{gate}: its hand start had already begun",
        ),
        Rule.MOVED_BY_HAND: "{gate}: hand start by opening it[, for {hand_limit} at most]",
        None: "{gate}: hand start[, {reason}]",
    },
    Happened.HAND_ENDED: {
        Rule.BUTTON: (
            "{gate}: hand start ended by {by}[ ({because})] after {lasted}",
            "{gate}: hand start ended with its button[ ({because})] after {lasted}",
            "{gate}: there was no hand start to end; nothing has changed",
        ),
        Rule.MOVED_BY_HAND: "{gate}: hand start ended by shutting it[ after {lasted}]",
        Rule.HAND_LIMIT: "{gate}: hand start ended at its hand_limit of {hand_limit}",
        None: "{gate}: hand start ended[ after {lasted}][, {reason}]",
    },
    # Collectors, stop contacts, holds
    Happened.COLLECTOR_ON: {
        Rule.DEMAND: "{collector} switched on[, {starts_this_hour:th} start in the last hour "
        "(limit {starts_per_hour})]",
        None: "{collector} switched on[, {reason}]",
    },
    Happened.COLLECTOR_OFF: {
        Rule.NO_DEMAND: "{collector} switched off, nothing needs it any more[; the fan coasts for up to {coast_down!}]",
        Rule.BROKER: "{collector} switched off, the broker had been away",
        Rule.HOLD: "{collector} switched off, {on_hold}",
        Rule.SWITCHED_BY_HAND: "{collector} was switched off at its own switch",
        Rule.OFF_ASKED: "{collector} switched off on request[ from {by!}][ ({why!})]; only a fresh start switches it "
        "on again",
        None: "{collector} switched off[, {reason}]",
    },
    Happened.COLLECTOR_RUNNING: {
        Rule.RETAINED: "{collector} may be running: a message kept by the broker says so",
        None: "{collector} is running[: {seen_to_run}]",
    },
    Happened.COLLECTOR_STOOD: (
        "{collector}: {just_heard}[; the fan coasts for up to {coasts_for} more]",
        "{collector} is off, as everything that watches it says[; the fan coasts for up to {coasts_for} more]",
    ),
    Happened.COLLECTOR_WAITED: {
        Rule.STOPS_UNHEARD: "{collector} waits to start until the stop contacts are heard",
        None: "{collector} waits[ {for_seconds}] to start[, {reason}]",
    },
    Happened.COLLECTOR_KEPT_ON: {
        Rule.STARTS_PER_HOUR: (
            "{collector} stays on[ for {for_seconds}]: the motor has used {starts_this_hour} of "
            "{starts_per_hour:start} in the last hour"
        ),
        None: "{collector} stays on[, {reason}]",
    },
    Happened.COLLECTOR_ADOPTED: {
        Rule.SWITCHED_BY_HAND: "{collector} was switched on at its own switch and is left on",
        Rule.ADOPTION: "{collector} was on when Gatehand started and is left on[ for at least {grace!}]",
        None: "{collector} was found on and is left on[, {reason}]",
    },
    Happened.COLLECTOR_UNANSWERED: (
        (
            "{collector} does not turn, though it was switched on: {not_turning}[; {offline}]; switched on again"
            "[ ({nth} time)]; {look_at}"
        ),
        (
            "{collector} was switched {told}, but that is not confirmed: {witnesses}[; {offline}]; "
            "switched {told} again[ ({nth} time)]; {look_at}"
        ),
        "{collector} was switched {told}, but nothing confirms it; switched {told} again[ ({nth} time)]; {look_at}",
    ),
    Happened.FAN_UNSAFE: (
        "{collector} turns against shut gates: {proven_open:gate} proven open, min_open is {min_open}; "
        "switched off, gates told to open"
    ),
    Happened.COMMAND_VETOED: {
        Rule.MIN_OPEN: 'the command "{command}"[ for {subject}] was held back: {proven_open:gate} would be '
        "open, min_open is {min_open}",
        Rule.MAX_OPEN: 'the command "{command}"[ for {subject}] was held back: {standing:gate} open, max_open '
        "is {max_open}",
        None: 'the command "{command}"[ for {subject}] was held back[: {reason}]',
    },
    Happened.STOP_ACTIVE: "stop contact {stop} is active",
    Happened.STOP_CLEARED: "stop contact {stop} is clear; nothing starts until a reset",
    Happened.COLLECTOR_HELD: {
        Rule.STOP_CONTACT: "{collector} is on hold by stop contact {why}, until somebody resets it",
        None: "{collector} is {on_hold}, until somebody resets it[; asked for by {by!}]",
    },
    Happened.HOLD_RESET: (
        "{collector} is no longer {on_hold}: it was reset[ by {by!}][ ({because!})]; the next fresh start counts"
        "[ ({refused_before!:more reset} refused before)]"
    ),
    Happened.RESET_REFUSED: {
        Rule.STOP_CONTACT: "{collector}: reset refused, still active: {active}",
        Rule.STOP_UNREAD: (
            "{collector}: reset refused, a stop contact is new and may be active: wait 2 s and press once"
        ),
        Rule.RESET_REPEATED: (
            "{collector}: reset refused, another came {since_last} before it: wait {quiet} and press once"
            "[ ({refused_before!:more reset} refused before)]"
        ),
        Rule.RESET_PRESS: (
            "{collector}: reset refused, its button was {why}[ ({held_for})]: release it, then press it once for "
            "{shortest} to {longest}[ ({refused_before!:more reset} refused before)]"
        ),
        Rule.STOPS_UNHEARD: "{collector}: reset refused, the stop contacts are not heard; try again once they are",
        Rule.HOLD: "{collector}: reset refused, it is not on hold",
        None: "{collector}: reset refused[, {why}]",
    },
    Happened.BIN_FULL: "{collector}: the bin is full",
    Happened.BIN_CLEARED: "{collector}: the bin is no longer full",
    # Devices, broker, alarms, the daemon itself and its log
    Happened.DEVICE_OFFLINE: ("{subject}: its device is offline", "stop contact {stop}: its device is offline"),
    Happened.DEVICE_ONLINE: (
        "{subject}: its device is online again",
        "stop contact {stop}: its device is online again",
    ),
    Happened.MESSAGE_IGNORED: {
        Rule.STANDSTILL: "[{subject}: ]{what} was ignored: Gatehand had been frozen[ for {stood_for}]; press again",
        None: ("[{subject}: ]{ignored} was ignored: {reason}", "[{subject}: ]a message was ignored[: {reason}]"),
    },
    Happened.BROKER_CONNECTED: "connected to the broker",
    Happened.BROKER_LOST: "lost the broker[, last heard {heard_before!} ago]; nothing is commanded until it is back",
    Happened.STOPS_LOST: "lost the stop contacts' own connection[: {why}]; nothing starts without it",
    Happened.STOPS_HEARD: "the stop contacts are heard[ after {unheard_for!}]",
    Happened.DAEMON_STOOD_STILL: "Gatehand was frozen[ for {stood_for}]; what came meanwhile starts nothing",
    Happened.DAEMON_CAUGHT_UP: "Gatehand has read what had waited; new messages count again",
    Happened.ALARM_RAISED: {
        Rule.STOPS_UNHEARD: "alarm: the stop contacts have not been heard[ for {unheard_for}]; nothing starts",
        Rule.TRAVEL: (
            "alarm: {gate} did not {wanted}: {offline}",
            "alarm: {gate} did not {wanted}; it says {says}, which is neither its open nor its shut",
            "alarm: {gate} was told to {wanted} and {never_heard}",
            "alarm: {gate} did not {wanted} (travel {travel})",
        ),
        Rule.SILENT_AFTER: (
            "alarm for {subject}: its sensor is heard, but not understood: on {topic} it said {says} ({wanted})",
            "alarm for {subject}: its device is heard, but without its {key}: on {topic} it said {beside} ({wanted})",
            "alarm for {subject}, {alarm}: {reason}",
        ),
        Rule.ANSWER: (
            "alarm: {collector} does not turn, though it was switched on: {not_turning}; {look_at}",
            "alarm: {collector} was switched {told}, but that is not confirmed: {witnesses}; {look_at}",
            "alarm: {collector} was switched {told}, but nothing confirms it; {look_at}",
        ),
        Rule.GATE_BY_HAND_IS_SHUT: "alarm[ for {subject}]: {gates_are} shut; open {gates_them} by hand",
        Rule.NOT_HEARD_LIVE: "alarm[ for {subject}]: {reason}; shut and open {the_gates} once by hand",
        Rule.STOP_CONTACT: "alarm: stop contact {stop} is active",
        Rule.BAD_VALUE: "alarm: stop contact {stop} says {says}, which is neither its active word nor its clear word",
        None: (
            "alarm: {config_in_short}",
            "alarm {alarm}: {because}",
            "alarm for {subject}, {alarm}: {reason}",
            "alarm {alarm}[: {reason}]",
        ),
    },
    Happened.ALARM_CLEARED: "alarm over[ for {subject}]: {alarm}[: {over_because}]",
    OwnEvent.ALARM_ACKNOWLEDGED: "alarm seen[ by {by}]: {alarm}",
    OwnEvent.ALARM_STORM: (
        "alarm {alarm} comes and goes, {times:time} within a minute: it stays active until it has been quiet for a "
        "while"
    ),
    OwnEvent.ALARM_STORM_ENDED: "alarm over: {alarm}, {times:time} in all, then quiet for {quiet_for}",
    OwnEvent.DAEMON_STARTED: "Gatehand[ {version}] started[; starts in the last hour: {starts!}]",
    OwnEvent.DAEMON_STOPPED: "Gatehand stopped[, {why}]",
    OwnEvent.CONFIG_LOADED: "config loaded[ from {path}][, changed: {changed}]",
    OwnEvent.CONFIG_REJECTED: "config rejected, the last good one stays in force[: {why}]",
    OwnEvent.CLOCK_STEPPED: "the wall clock stepped[ by {by_seconds}]; nothing is timed by it",
    OwnEvent.LOG_GAP: (
        "the log has a gap: {lost:line} lost[ ({lost_numbers})]"
        "[, {unsure!} more may be lost][, {torn_bytes!:byte} of a line cut short][; {why}]"
    ),
    OwnEvent.LOG_LATE: "the disk stalled for {stalled}; {late:command} went out before being logged",
    OwnEvent.SIGNAL_UNHEARD: (
        "[{subject}: ][stop contact {stop}: ]never heard: {topic} ({key})[; what came there has {wanted}]"
    ),
    OwnEvent.SIGNAL_HEARD: "[{subject}: ][stop contact {stop}: ]heard for the first time: {topic} ({key})",
    OwnEvent.REFUSALS_COUNTED: "{because} ({more:more time} within {for_seconds})",
    OwnEvent.SUCTION_MEASURED: (
        "{collector}: its suction with {the_gates} open was {suction}, against a baseline of {baseline_suction}",
        "{collector}: its suction with {the_gates} open was {suction}",
        "{collector}: its suction with no gate open was {suction}",
    ),
    OwnEvent.SUCTION_BASELINE_TAKEN: (
        "{collector}: its suction with {the_gates} open is {suction}: the baseline from now on",
        "{collector}: its suction with no gate open is {suction}: the baseline from now on",
    ),
    OwnEvent.SUCTION_BASELINES_VOID: (
        "{collector}: {baselines:baseline} of its suction no longer counted: its ducts, its gates' names or the unit "
        "of its sensor have changed; take them again with gatehand exercise --suction"
    ),
    OwnEvent.SUCTION_NOT_JUDGED: "{collector}: its suction is not judged[ with {the_gates} open]: {why}",
    OwnEvent.CONFIG_WAITS: "the changed config waits[: {why}]",
    OwnEvent.COMMAND_NOT_SENT: 'the command "{command}"[ for {subject}] was not sent[: {why}]',
    OwnEvent.RETAINED_COMMAND: "[{subject}: ]the broker retains a message on its command topic {topic}",
    OwnEvent.INTERNAL_ERROR: "an error inside Gatehand: every collector is on hold[: {text}]",
}
"""Event -> templates, or rule -> templates; the rule None stands for every rule, after those of the rule's own."""

REASONS: Final[dict[str, Templates]] = {
    Rule.START_THRESHOLD: ("it reached its {start_threshold}", "its sensor says that it runs"),
    Rule.STOP_THRESHOLD: ("it fell below its {stop_threshold}", "its sensor says that it has stopped"),
    Rule.BELOW_START_THRESHOLD: ("it stayed below its {start_threshold}", "it stayed below its start threshold"),
    Rule.SHORTER_THAN_START_AFTER: "it ran for less than its start_after[ of {start_after}]",
    Rule.AFTER_SILENCE: "after a silence its start had to be confirmed",
    Rule.NOT_CONFIRMED: "after a silence nothing confirmed its start",
    Rule.RUN_ON: "its run-on is over",
    Rule.RUN_LIMIT: "it has run for longer than its run_limit[ of {run_limit}]",
    Rule.SILENT_AFTER: "no reading from its sensor[ for {silent_after}]",
    Rule.FIRST_SEEN_DRAWING: "it was already running when first seen; only a fresh start counts",
    Rule.BAD_VALUE: "the message holds no usable value",
    Rule.MAX_AGE: "the reading is older than its max_age",
    Rule.RETAINED: "the broker had kept the message, so its age is unknown",
    Rule.UNKNOWN_NAME: "nothing in the config has that name",
    Rule.DEMAND: "it is needed",
    Rule.REST: "the fan has stopped turning and nothing needs it",
    Rule.ZONE_CHANGE: "no longer needed here",
    Rule.TRAVEL: "its travel time[ of {travel}] has passed",
    Rule.REPORT: "its own report says so",
    Rule.RETRY: "it has not reported yet",
    Rule.NOT_HEARD_LIVE: "no live report to go by",
    Rule.MOVED_BY_HAND: "moved by hand",
    Rule.NO_GATE_PROVEN: "none of its gates is proven open",
    Rule.GATE_BY_HAND_IS_SHUT: "a gate that is opened by hand is shut",
    Rule.CUT_ENDED_BEFORE_GATE: "the work ended before a gate was open",
    Rule.MIN_OPEN: "too few gates are proven open[ ({proven_open} of {min_open})]",
    Rule.MAX_OPEN: ("no more than {max_open:gate} may be open", "no more gates may be open"),
    Rule.STARTS_PER_HOUR: (
        "the motor has used up its starts in the last hour[ ({starts_this_hour} of {starts_per_hour})]"
    ),
    Rule.REFRESH: "repeated so that the switch's own time limit does not run out",
    Rule.START_GAP: "another motor on its circuit has only just started",
    Rule.NO_DEMAND: "nothing needs it any more",
    Rule.ANSWER: "its switch did not answer",
    Rule.ADOPTION: "Gatehand has just started and the fan may be turning",
    Rule.SWITCHED_BY_HAND: "somebody used the collector's own switch",
    Rule.BUTTON: "a button was pressed",
    Rule.HAND_LIMIT: "it has lasted its hand_limit[ of {hand_limit}]",
    Rule.STOP_CONTACT: "a stop contact is active",
    Rule.HOLD: "the collector is on hold until somebody resets it",
    Rule.OFF_ASKED: "the collector was switched off on request",
    Rule.RESET_REPEATED: "another reset came shortly before it",
    Rule.RESET_PRESS: "it was not a press of the reset button",
    Rule.STOP_UNREAD: "a stop contact is new in the config, and its retained word may still come",
    Rule.NOT_FRESH: "only a tool that is seen to start may start the collector",
    Rule.BIN_FULL: "the bin is full",
    Rule.OFFLINE: "the device itself is offline",
    Rule.BROKER: "the connection to the broker changed",
    Rule.SHUTDOWN: "Gatehand is stopping",
    Rule.MAKE_BEFORE_BREAK: "the gate that takes over is not yet open",
    Rule.FAN_AGAINST_SHUT_GATES: "the fan turns against shut gates",
    Rule.STOPS_UNHEARD: "the stop contacts are not heard",
    Rule.STANDSTILL: "Gatehand had been frozen[ for {stood_for}]",
}
"""Each rule in a few words, to stand after a comma: why it was so."""
