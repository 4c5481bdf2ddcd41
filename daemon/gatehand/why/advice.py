"""What an answer advises to set, each with the setting that it names: advice that is followed already is not given.

No sentence of a verdict names a setting to be changed but by an `Advice`; a test looks for one that does.
"""

from enum import Enum
from typing import Final, NamedTuple

from gatehand.config.signals import Meter
from gatehand.why.moment import Question
from gatehand_rules import Happened, Rule
from gatehand_rules.findings import Fact


class Way(Enum):
    """How a setting should stand to the value that is advised."""

    IS = "is"
    MOST = "at most"
    LEAST = "at least"
    MORE = "more than"


class Advice(NamedTuple):
    """`words`: a sentence's template, with its full stop; `value`: what `key` should be; None: other than it was."""

    words: str
    key: str
    value: Fact
    way: Way = Way.IS


RETAIN: Final = "retain"
"""No key of the config: whether the device's words are retained at the broker."""


def is_followed(context: Question, whose: tuple[str, str], key: str, value: Fact, way: Way = Way.IS) -> bool:
    """Whether the setting is so by now. `whose`: its table, such as ("gate", "band_saw")."""
    now = _set(context, whose, key)
    if way is Way.IS or now is None or value is None or isinstance(now, str) or isinstance(value, str):
        # A limit that is no longer set leaves room for any number.
        return now == value or (now is None and way in {Way.LEAST, Way.MORE} and key == "max_open")
    return {Way.MOST: now <= value, Way.LEAST: now >= value, Way.MORE: now > value}[way]


def _set(context: Question, whose: tuple[str, str], key: str) -> Fact:
    """How a setting is now; None where there is none, or no such table any more."""
    kind, name = whose
    if kind == "tool":
        return _of_tool(context, name, key)
    tables = context.config.gate if kind == "gate" else context.config.collector
    table = tables.get(name)
    found: Fact = getattr(table, key, None)
    return found


def _of_tool(context: Question, name: str, key: str) -> Fact:
    table, at = context.config.tool.get(name), context.shop.tool_at(name)
    if table is None or at is None:
        return None
    tool = context.shop.tools[at]
    match key:
        case "poll":
            return table.sensor.poll is not None
        case "at":
            return not isinstance(table.sensor, Meter) or table.sensor.at is not None  # a contact has no use for one
        case "retain":
            return _is_retained(context, name)
        case _:
            thresholds = {**tool.start_fact(), **tool.stop_fact()}
            plain: Fact = getattr(table, key, None)
            return thresholds.get(key, plain)


def _is_retained(context: Question, tool: str) -> bool:
    """Whether a word of its sensor was found retained in this run of the daemon."""
    return any(
        one.is_(Happened.READING_REJECTED) and one.text("rule") == Rule.RETAINED and one.text("tool") == tool
        for one in context.in_this_run(context.at_ms)
    )
