"""Records of the interlock, made by hand. No test stands here."""

from typing import Any

from unit_bench import fan, gate, lines, shop, tool

from gatehand_rules import Outcome, Shop, initial, interlock
from gatehand_rules import events as ev
from gatehand_rules.commands import Command
from gatehand_rules.state import FanSeen, GateSeen, Guard
from gatehand_rules.words import Position

OPEN, SHUT = Position.OPEN, Position.SHUT
NOW = 100.0
SEEN_OPEN = GateSeen(told=OPEN, told_at=90.0, again_at=90.0, travelled=True, reported=OPEN, heard=True, live=True)
SEEN_SHUT = GateSeen(told=SHUT, told_at=90.0, again_at=90.0, reported=SHUT, heard=True, live=True)
ON_ITS_WAY = GateSeen(told=OPEN, told_at=99.5, again_at=99.5, reported=SHUT, heard=True, live=True)
READY_TO_START = FanSeen(told_on=False, off_at=0.0, armed=True)
TURNING = FanSeen(told_on=True, off_at=0.0)
STILL = FanSeen(told_on=False, off_at=0.0)


def guard(
    *gates: GateSeen,
    fans: tuple[FanSeen, ...] = (TURNING,),
    **more: Any,  # noqa: ANN401 - the fields of a guard
) -> Guard:
    """A record that watches, its fan turning."""
    told: dict[str, Any] = {"gates": gates, "fans": fans, "low": (False,), "stops": (), "watching_from": 0.0}
    return Guard(**(told | more))


def gates_shop(count: int, *, reports: bool = True, **collector: Any) -> Shop:  # noqa: ANN401 - a collector's fields
    """Gates a, b, c ... at one collector."""
    names = "abcdef"[:count]
    return shop(tool("saw", "a"), *(gate(name, reports=reports) for name in names), fan(**collector))


def judged(shop: Shop, record: Guard, *told: Command, now: float = NOW) -> list[str]:
    """What passes, and why the rest does not."""
    _, passed, vetoes = interlock.judge(shop, record, told, now)
    return lines(Outcome(initial(shop, 0.0), passed, vetoes))


def enforced(shop: Shop, record: Guard, now: float = NOW) -> list[str]:
    """What must leave."""
    _, extra, why = interlock.enforce(shop, record, now)
    return lines(Outcome(initial(shop, 0.0), extra, why))


def observed(shop: Shop, record: Guard, event: ev.Event, now: float = NOW) -> Guard:
    """The record after the event."""
    return interlock.observe(shop, record, event, now)
