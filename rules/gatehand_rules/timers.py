"""The one way to compare times: a deadline is a sum, rounded to the microsecond, and is reached when it is not ahead.

Without the rounding 0.1 + 0.2 s would be due a hair after 0.3 s, and a timer set for it would fire for nothing.
"""


def due(since: float, span: float) -> float:
    """The instant `span` seconds after `since`."""
    return round(since + span, 6)


def reached(now: float, since: float, span: float) -> bool:
    """Whether `span` seconds have passed since `since`."""
    return now >= due(since, span)
