"""Every fixed time of the rules, with its reason, and the one way to compare times.

What an owner may choose stands in the config, and so in the shop.

Each layer has a record of its own: a time that is wrong in the sequence's is still right in the interlock's.
"""

from msgspec import Struct


class Timing(Struct, frozen=True, kw_only=True):
    """The sequence's own times, seconds where nothing else is said."""

    settle: float = 0.5
    """After a connection: what the broker retains is taken in before anything is commanded."""
    stop_unread: float = 2.0
    """No start after an edit that adds or mends a stop contact: what is retained there comes meanwhile."""
    stops_patience: float = 2.0
    """Without the stop contacts' connection before the alarm: a broker that restarts is back sooner."""
    apart: float = 1.0
    """Between two readings that bear each other out after a silence: what was held back comes all at once."""
    unchallenged: float = 3.0
    """After it the word of a sensor that speaks only on change is believed, if nothing contrary came."""
    shortest_rise: float = 1.0
    """A rise that stays under the threshold and is shorter leaves no finding: a motor's twitch is no missed cut."""
    answer: float = 5.0
    """What a switch or a motor's sensor may take to show what was told."""
    tellings: int = 3
    """How often a switch is told before the alarm; a number, no time."""
    remind: float = 20.0
    """Between further tellings while that alarm is active."""
    contrary: float = 2.0
    """For how long a word against what was told must stand before it is somebody's doing: one sample proves nothing."""
    one_press: float = 0.4
    """A gate's button that repeats itself within it was pressed once: contacts bounce."""
    reset_alone: float = 2.0
    """Without a message before a reset by message that counts: a script that repeats itself is nobody's press."""
    reset_shortest: float = 0.1
    """A shorter press of the reset is a bounce of the contact."""
    reset_longest: float = 2.0
    """A longer one is a button that sticks, or that something leans on."""
    refusal_again: float = 60.0
    """Without a refusal, after which the next one is said again."""


class GuardTiming(Struct, frozen=True, kw_only=True):
    """The interlock's own times, seconds. Nobody else reads them."""

    retained_in: float = 0.5
    """After a connection: the broker still sends what it retains."""
    reset_alone: float = 2.0
    """Without another message before a reset by message that counts."""
    reset_shortest: float = 0.1
    """The shortest press of a reset button that counts."""
    reset_longest: float = 2.0
    """The longest press of a reset button that counts."""


def due(since: float, span: float) -> float:
    """The instant `span` seconds after `since`, to the microsecond: else 0.1 + 0.2 s were due a hair after 0.3 s."""
    return round(since + span, 6)


def reached(now: float, since: float, span: float) -> bool:
    """Whether `span` seconds have passed since `since`: a deadline is reached when it is not ahead."""
    return now >= due(since, span)
