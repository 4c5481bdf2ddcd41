"""Sentences about the collector: on, off, why not, held, in danger. Templates as in `fill`."""

from gatehand.journal.sentences.fill import Table
from gatehand_rules.findings import Happened, Rule

TABLE: Table = {
    Happened.COLLECTOR_ON: {
        Rule.DEMAND: ("{collector} told on[ (start {starts_this_hour} of {starts_per_hour} this hour)]",),
        None: ("{collector} told on[, {reason}]",),
    },
    Happened.COLLECTOR_OFF: {
        Rule.NO_DEMAND: ("{collector} told off, nothing needs it any more[; the fan turns for {coast_down!} more]",),
        Rule.BROKER: ("{collector} told off, the broker had been away",),
        Rule.HOLD: ("{collector} told off, held[ by {why}]",),
        Rule.OFF_ASKED: ("{collector} switched off as asked for[ by {by!}][ ({why!})]; a fresh start is wanted now",),
        None: ("{collector} told off[, {reason}]",),
    },
    Happened.COLLECTOR_RUNNING: {
        Rule.RETAINED: ("{collector} may be running: a message kept by the broker says so",),
        None: ("{collector} is running",),
    },
    Happened.COLLECTOR_STOOD: {None: ("{collector} stands still",)},
    Happened.COLLECTOR_WAITED: {
        Rule.STOPS_UNHEARD: ("{collector} waits with its start until the stop contacts are heard",),
        None: ("{collector} waits[ {for_seconds}] with its start[, {reason}]",),
    },
    Happened.COLLECTOR_KEPT_ON: {
        Rule.STARTS_PER_HOUR: (
            (
                "{collector} stays on[ for {for_seconds}]: the motor has had {starts_this_hour} of its "
                "{starts_per_hour} starts this hour"
            ),
        ),
        None: ("{collector} stays on[, {reason}]",),
    },
    Happened.COLLECTOR_ADOPTED: {
        Rule.SWITCHED_BY_HAND: ("{collector} was switched on at its own switch and is left on",),
        Rule.ADOPTION: ("{collector} was on when Gatehand started and is left on[ for {grace!}]",),
        None: ("{collector} was found on and is left on[, {reason}]",),
    },
    Happened.COLLECTOR_UNANSWERED: {
        None: ("{collector} has not answered to {told}[ (repeat {tries!})]; look at its switch",),
    },
    Happened.FAN_UNSAFE: {
        None: (
            (
                "{collector} turns against shut gates: {proven_open} of {min_open} gates are proven open; "
                "told off, gates told to open"
            ),
        ),
    },
    Happened.COMMAND_VETOED: {
        Rule.MIN_OPEN: ("{command} was held back[ for {subject}]: {proven_open} of {min_open} gates would be open",),
        Rule.MAX_OPEN: ("{command} was held back[ for {subject}]: {standing} gates stand open, {max_open} may",),
        None: ("{command} was held back[ for {subject}][: {reason}]",),
    },
    Happened.STOP_ACTIVE: {None: ("stop contact {stop} is active",)},
    Happened.STOP_CLEARED: {None: ("stop contact {stop} is clear; nothing starts until a reset",)},
    Happened.COLLECTOR_HELD: {
        Rule.STOP_CONTACT: ("{collector} is held off by stop contact {why}, until somebody resets it",),
        None: ("{collector} is held off until somebody resets it[ ({why!})][, asked for by {by!}]",),
    },
    Happened.HOLD_RESET: {
        None: (
            (
                "{collector}: hold[ by {why!}] ended by a reset[ of {by!}][ ({because!})]; the next fresh start counts"
                "[ ({refused_before!} more resets were refused before)]"
            ),
        ),
    },
    Happened.RESET_REFUSED: {
        Rule.STOP_CONTACT: ("{collector}: reset refused, still active: {active}",),
        Rule.STOP_UNREAD: (
            "{collector}: reset refused, a stop contact is new and may be active: wait 2 s and press once",
        ),
        Rule.RESET_REPEATED: (
            (
                "{collector}: reset refused, another came {since_last} before it: wait {quiet} and press once"
                "[ ({refused_before!} more were refused before)]"
            ),
        ),
        Rule.RESET_PRESS: (
            (
                "{collector}: reset refused, its button was {why}[ ({held_for})]: release it, then press it once for "
                "{shortest} to {longest}[ ({refused_before!} more were refused before)]"
            ),
        ),
        Rule.STOPS_UNHEARD: ("{collector}: reset refused, the stop contacts are not heard; try again once they are",),
        None: ("{collector}: reset refused[, {why}]",),
    },
    Happened.BIN_FULL: {None: ("{collector}: the bin is full",)},
    Happened.BIN_CLEARED: {None: ("{collector}: the bin is no longer full",)},
}
