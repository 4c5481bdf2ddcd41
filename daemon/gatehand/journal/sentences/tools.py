"""Sentences about tools: detected, missed, refused, silent. Templates as in `fill`."""

from gatehand.journal.sentences.fill import Table
from gatehand_rules.findings import Happened, Rule

TABLE: Table = {
    Happened.TOOL_STARTED: {
        Rule.START_THRESHOLD: (
            "{tool} started[: {amps}, at or above its start_amps of {start_amps}][ for {start_after!}]",
        ),
        Rule.AFTER_SILENCE: (
            (
                "{tool} started[: {amps}, at or above its start_amps of {start_amps}][ for {start_after!}]; "
                "after a silence it had to wait {waited}, until {confirmed_by}"
            ),
        ),
        None: ("{tool} started[, {reason}]",),
    },
    Happened.TOOL_STOPPED: {
        Rule.STOP_THRESHOLD: (
            (
                "{tool} stopped[ after {ran_for}][: {amps}, below its stop_amps of {stop_amps}]"
                "[ for {stop_after!}][; run-on {run_on!}]"
            ),
        ),
        None: ("{tool} stopped[, {reason}]",),
    },
    Happened.TOOL_SILENT: {
        Rule.SILENT_AFTER: (
            "{tool}: its sensor speaks and is not understood: on {topic} it said {says} ({wanted})[; it was {was}]",
            "{tool}: its sensor has said nothing for {silent_after}[; it was {was}][, last {last_amps}]",
        ),
        None: ("{tool} is silent[, {reason}]",),
    },
    Happened.TOOL_HEARD: {None: ("{tool}: its sensor speaks again[ after {silent_for}][: {amps}]",)},
    Happened.TOOL_MUTED: {
        None: ("{tool} is not served until it has stopped[, {reason}][ (it must fall below {stop_amps})]",),
    },
    Happened.RUN_ON_ENDED: {
        Rule.RUN_ON: ("{tool}: its run-on[ of {run_on}] has passed",),
        Rule.BUTTON: ("{tool}: its run-on was ended with the button",),
        Rule.SILENT_AFTER: ("{tool}: its run-on[ of {run_on}] has passed, its sensor still silent",),
        None: ("{tool}: run-on ended[, {reason}]",),
    },
    Happened.START_MISSED: {
        Rule.BELOW_START_THRESHOLD: (
            (
                "{tool} was not taken for running: it drew {peak} at most[ in {lasted}], "
                "below its start_amps of {start_amps}"
            ),
        ),
        Rule.SHORTER_THAN_START_AFTER: (
            (
                "{tool} was not taken for running: it drew up to {peak}, but was at or above its "
                "start_amps of {start_amps} for {above_for} only; start_after wants {start_after}"
            ),
        ),
        Rule.NOT_CONFIRMED: (
            (
                "{tool} was not taken for running: it drew {peak}[ for {above_for!}], at or above its start_amps of "
                "{start_amps}, but after a silence nothing confirmed that this was new"
            ),
        ),
        Rule.CUT_ENDED_BEFORE_GATE: (
            "[{tool}: ]the work ended before a gate was open[, after {waited}], so {collector} was not started",
        ),
        None: ("[{subject}: ]a start was missed[, {reason}]",),
    },
    Happened.START_REFUSED: {
        Rule.FIRST_SEEN_DRAWING: (
            (
                "start refused: {tool} drew already[ ({amps})] when it was first seen; "
                "switch it off and on again to be served"
            ),
        ),
        Rule.NOT_FRESH: (
            (
                "start refused: {tool} drew already[ ({amps})] when the hold was reset; "
                "switch it off and on again to be served"
            ),
        ),
        Rule.MAX_OPEN: (
            "start refused: {subject} would be one gate too many; {max_open} may stand open[, for {taken}]",
        ),
        Rule.MIN_OPEN: ("start refused[ for {subject}]: {proven_open} of {min_open} gates are proven open",),
        Rule.NO_GATE_PROVEN: ("start refused[ for {subject}]: no gate is proven open[ ({gates})]",),
        Rule.GATE_BY_HAND_IS_SHUT: ("start refused[ for {subject}]: open this gate by hand: {gates}",),
        Rule.NOT_HEARD_LIVE: ("start refused[ for {subject}]: shut this gate and open it once: {gates}, {reason}",),
        Rule.HOLD: ("start refused[ for {subject}]: the collector is held until somebody resets it",),
        Rule.BROKER: ("start refused[ for {subject}]: it was asked for before the broker was away; ask again",),
        Rule.BIN_FULL: ("start refused[ for {subject}]: the bin is full",),
        Rule.SWITCHED_BY_HAND: (
            "start refused[ for {subject}]: somebody switched the collector off at its own switch",
        ),
        Rule.OFF_ASKED: (
            "start refused: {tool} drew[ {amps}] when the collector was switched off; switch it off and on again",
        ),
        None: ("start refused[ for {subject}][: {reason}]",),
    },
    Happened.READING_REJECTED: {
        Rule.RETAINED: ("[{subject}: ]a reading that the broker had kept was not used[ ({amps})], its age is unknown",),
        Rule.MAX_AGE: ("[{subject}: ]reading not used, {why}[: {shown!}]",),
        Rule.BAD_VALUE: ("[{subject}: ][stop contact {stop}: ]message not used, {why}[: {shown!}]",),
        None: ("[{subject}: ]message not used[, {reason}]",),
    },
}
