"""What watches a fan, in words: its switch's report and its motor's sensor, each named as what it is, with its age.

Made from the facts of a finding (`gatehand_rules.collectors.seen_of`) and what the shell adds of topics and words; used
by the log's sentences and by the alarms. What was not said by anything is not claimed here.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from gatehand.measures import measured
from gatehand.times import lasting
from gatehand_rules.findings import Fact
from gatehand_rules.words import Measure

RECENT: Final = 5.0
"""Seconds for which a reading counts as of now; an older one is told with its age."""
SWITCH: Final = "switch"
MOTOR: Final = "motor"
_MEASURES: Final = {f"motor_{measure}": measure for measure in Measure}

Facts = Mapping[str, Fact]


def witnesses(facts: Facts, age: str = "{} ago") -> str:
    """What each witness of the fan says, or last said; "" where nothing watches it. `age`: a template of how old."""
    return "; ".join(_each(facts, age))


def just_heard(facts: Facts) -> str:
    """The same, of those alone that spoke just now and since the fan was last told anything."""
    return "; ".join(_just_heard(facts))


def seen_to_run(facts: Facts) -> str:
    """The same, of those alone that say that the fan runs: the other one may not have had the time to say it yet."""
    return "; ".join(_just_heard(facts, switch=facts.get("reported_on") is True, motor=facts.get("drawing") is True))


def says_on(facts: Facts) -> bool:
    """Whether a live word, said after the fan was switched, is that it is on: nothing else shows a welded relay."""
    switch = facts.get("reported_on") is True and _is_after(facts, "reported")
    return switch or (facts.get("drawing") is True and _is_after(facts, "motor"))


def is_tripped(facts: Facts) -> bool:
    """The switch says on, and the motor says that it does not turn; a line without ages is of its own time."""
    seen = "told_ago" not in facts or _is_after(facts, "motor")
    return facts.get("reported_on") is True and facts.get("drawing") is False and seen


def has_tripped(facts: Facts) -> bool:
    """The same of a fan that was told "on"."""
    return facts.get("told") == "on" and is_tripped(facts)


def motor_is_late(facts: Facts) -> bool:
    """The switch says on, and what watches the motor has not spoken since: what it said before tells nothing."""
    return facts.get("reported_on") is True and facts.get("drawing") is False and not is_tripped(facts)


def turns_unreported(facts: Facts) -> bool:
    """The motor was seen to turn after the fan was switched on, and the switch has not said that it is on."""
    return facts.get("reported_on") is not True and facts.get("drawing") is True and _is_after(facts, "motor")


def look_at(facts: Facts) -> str:
    """What to look at where a fan has not shown what it was told; a part of a sentence."""
    if facts.get("offline"):
        return "look at the power and the network of its switch"
    if facts.get("told") == "off":
        return "the relay may be welded" if says_on(facts) else "look at the fan itself"
    if is_tripped(facts):
        by_contact = f"motor_{Measure.RUNNING}" in facts
        return f"look at its overload, its breaker{' and its belt' if by_contact else ' and its thermal trip'}"
    if motor_is_late(facts):
        return "look at the fan itself"
    return "look at what its switch reports" if turns_unreported(facts) else "look at its switch"


def _just_heard(facts: Facts, *, switch: bool = True, motor: bool = True) -> Iterator[str]:
    if switch and _ago(facts, "reported") <= _since(facts):
        yield _switch(facts, "{} ago")
    if motor and _ago(facts, "motor") <= _since(facts):
        yield _motor(facts, "{} ago")


def _each(facts: Facts, age: str) -> Iterator[str]:
    watched = str(facts.get("watched_by") or "").split(", ")
    if SWITCH in watched or facts.get("reported_on") is not None:
        yield _switch(facts, age)
    if MOTOR in watched or facts.get("drawing") is not None:
        yield _motor(facts, age)


def _switch(facts: Facts, age: str) -> str:
    if (odd := _not_understood(facts, SWITCH, "its switch")) is not None:
        return odd
    reported = facts.get("reported_on")
    if reported is None:
        return "its switch has not been heard since Gatehand started"
    word = "on" if reported else "off"
    if facts.get("reported_kept"):
        return f"its switch reported {word}, in a message kept by the broker"
    ago = _ago(facts, "reported")
    if ago <= RECENT or _is_after(facts, "reported") or "reported_ago" not in facts:
        return f"its switch reports {word}"
    return f"its switch last reported {word}, {age.format(lasting(ago, whole=True))}"


def _motor(facts: Facts, age: str) -> str:
    if (odd := _not_understood(facts, MOTOR, "what watches its motor")) is not None:
        return odd
    drawing = facts.get("drawing")
    key = next((key for key in _MEASURES if key in facts), None)
    if drawing is None:
        return "what watches its motor has not been heard since Gatehand started"
    if key is None:
        return "its motor draws current" if drawing else "its motor draws nothing"
    measure, value = _MEASURES[key], facts[key]
    said = measured(measure, float(value) if isinstance(value, int | float) else 0.0)
    what = "contact" if measure is Measure.RUNNING else "meter"
    if facts.get("motor_kept"):
        return f"its motor's {what} said {said}, in a message kept by the broker"
    ago = _ago(facts, "motor")
    if ago > RECENT:
        return f"its motor's {what} last said {said}, {age.format(lasting(ago, whole=True))}"
    if measure is Measure.RUNNING:
        return f"its motor's contact says {said}"
    if drawing:
        return f"its motor draws {said}"
    return f"its motor draws nothing ({said})" if not value else f"its motor draws only {said}"


def _not_understood(facts: Facts, which: str, name: str) -> str | None:
    """It has said something since that is neither of its words."""
    said = facts.get(f"{which}_said")
    if said is None:
        return None
    topic, wanted = facts.get(f"{which}_topic"), facts.get(f"{which}_wanted")
    return f"{name} said {said!r} on {topic}, which was not understood ({wanted})"


def _ago(facts: Facts, which: str) -> float:
    """Seconds since it was heard; a line from before that fact was written counts as of its own time."""
    found = facts.get(f"{which}_ago")
    if isinstance(found, int | float):
        return float(found)
    return 0.0 if facts.get("reported_on" if which == "reported" else "drawing") is not None else float("inf")


def _since(facts: Facts) -> float:
    """Seconds for which a word is of now: not from before the fan was told."""
    told = facts.get("told_ago")
    return min(RECENT, float(told)) if isinstance(told, int | float) else RECENT


def _is_after(facts: Facts, which: str) -> bool:
    """Live, and heard after the fan was switched."""
    told = facts.get("told_ago")
    if not isinstance(told, int | float) or facts.get(f"{which}_kept"):
        return False
    return _ago(facts, which) < float(told)
