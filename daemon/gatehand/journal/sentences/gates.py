"""Sentences about gates and hand starts. Templates as in `fill`."""

from gatehand.journal.sentences.fill import Table
from gatehand_rules.findings import Happened, Rule

TABLE: Table = {
    Happened.GATE_COMMANDED: {
        Rule.DEMAND: ("{gate} told to {to}",),
        Rule.ZONE_CHANGE: ("{gate} told to {to}[, before {instead_of} shuts], {reason}",),
        Rule.RETRY: ("{gate} told to {to} again, {reason}[ ({tries} of {retries})]",),
        Rule.NOT_HEARD_LIVE: ("{gate} told to {to} once, so that it reports when it opens: {reason}",),
        Rule.BROKER: ("{gate} told to {to} again, the broker is back",),
        None: ("{gate} told to {to}[, {reason}]",),
    },
    Happened.GATE_OPEN: {
        Rule.REPORT: ("{gate} is open: it reported[ after {took!}][, {late_by!} later than its travel of {travel}]",),
        Rule.TRAVEL: ("{gate} is open: its travel of {travel} has passed",),
        Rule.MOVED_BY_HAND: ("{gate} was opened by hand",),
        None: ("{gate} is open[, {reason}]",),
    },
    Happened.GATE_SHUT: {
        Rule.REPORT: ("{gate} is shut: it reported[ after {took!}][, {late_by!} later than its travel of {travel}]",),
        Rule.TRAVEL: ("{gate} is shut: its travel of {travel} has passed",),
        Rule.MOVED_BY_HAND: ("{gate} was shut by hand",),
        None: ("{gate} is shut[, {reason}]",),
    },
    Happened.GATE_BETWEEN: {
        Rule.RETAINED: ("{gate} is no longer taken for open: a message kept by the broker says {says}",),
        None: ("{gate} is neither open nor shut[: it says {says}]",),
    },
    Happened.GATE_FAULT: {
        None: (
            (
                "{gate} did not {wanted}[ in {waited}][ with {retries!}]; travel {travel}; it says {says}, "
                "which is neither its open nor its shut"
            ),
            "{gate} did not {wanted}[ in {waited}][ with {retries!}]; travel {travel}[; it reports {reported}]",
        ),
    },
    Happened.HAND_STARTED: {
        Rule.BUTTON: (
            "{gate}: hand start asked for by {by}[ ({because})][, for {hand_limit} at most]",
            "{gate}: hand start with its button[ ({because})][, for {hand_limit} at most]",
        ),
        Rule.MOVED_BY_HAND: ("{gate}: hand start by opening it[, for {hand_limit} at most]",),
        None: ("{gate}: hand start[, {reason}]",),
    },
    Happened.HAND_ENDED: {
        Rule.BUTTON: (
            "{gate}: hand start ended by {by}[ ({because})][ after {lasted}]",
            "{gate}: hand start ended with its button[ ({because})][ after {lasted}]",
        ),
        Rule.MOVED_BY_HAND: ("{gate}: hand start ended by shutting it[ after {lasted}]",),
        Rule.HAND_LIMIT: ("{gate}: hand start ended at its hand_limit of {hand_limit}",),
        None: ("{gate}: hand start ended[ after {lasted}][, {reason}]",),
    },
}
