"""What a status foretells: the rules' forecast, looked up anew when something that it rests on has changed; its words.

Nothing is decided here. A forecast that cannot be made is none: the rules' own mistake shows at the engine's next step.
"""

from collections.abc import Iterable
from typing import Final

from gatehand.journal.sentences import spoken
from gatehand.text import listed, named
from gatehand.times import local_clock
from gatehand_rules import Rule
from gatehand_rules.forecast import Ahead, CollectorAhead, Keeper, forecast, situation
from gatehand_rules.shop import Shop
from gatehand_rules.state import State

_KEPT_ON: Final[dict[Rule, str]] = {
    Rule.DEMAND: "{names} {be} running",
    Rule.HAND_LIMIT: "hand start at {names}",
    Rule.RUN_ON: "run-on of {names}",
    Rule.SWITCHED_BY_HAND: "it was switched on at its own switch and is left on",
    Rule.ADOPTION: "it was on when Gatehand started and stays on{until}",
    Rule.STARTS_PER_HOUR: "it stays on{until}: the motor has used {budget} in the last hour",
}
"""By the rule that keeps it on."""
_OFF: Final[dict[Rule, str]] = {
    Rule.HAND_LIMIT: "hand start at {names}",
    Rule.RUN_ON: "run-on of {names}",
    Rule.RUN_LIMIT: "run limit of {names}",
    Rule.STOP_THRESHOLD: "{names} {have} stopped",
    Rule.SWITCHED_BY_HAND: "switched off at its own switch",
    Rule.ADOPTION: "on when Gatehand started, and no tool has started since",
    Rule.STARTS_PER_HOUR: "start limit: {budget} in the last hour",
    Rule.FAN_AGAINST_SHUT_GATES: "too few gates are proven open",
}
"""By the rule that ends it."""
_NOTHING: Final = "nothing needs it any more"


class Foresight:
    """The last forecast, as long as it is the same."""

    def __init__(self) -> None:
        self._shop: Shop | None = None
        self._seen: State | None = None
        self._situation: State | None = None
        self._ahead: Ahead | None = None

    def look(self, shop: Shop, state: State, now: float) -> Ahead:
        """What is ahead of the shop from `now` (monotonic seconds) on."""
        ahead, same = self._ahead, shop is self._shop
        if ahead is not None and same and state is self._seen and now < ahead.again_at:
            return ahead
        self._shop, self._seen, found = shop, state, situation(state)
        if ahead is None or not same or found != self._situation or now >= ahead.again_at:
            self._situation, ahead = found, _forecast(shop, state, now)
        self._ahead = ahead
        return ahead


def _forecast(shop: Shop, state: State, now: float) -> Ahead:
    try:
        return forecast(shop, state, now)
    except Exception:  # noqa: BLE001 - a mistake of the rules ahead must not stop what is shown of the present
        return nothing_ahead(shop)


def nothing_ahead(shop: Shop) -> Ahead:
    """A forecast that foretells nothing."""
    each = tuple(CollectorAhead() for _ in shop.collectors)
    return Ahead((None,) * len(shop.tools), (None,) * len(shop.gates), each)


def why_on(ahead: CollectorAhead, spent: int, limit: int | None, off_at: float | None) -> str:
    """Why a collector is on; empty where nothing is known to keep it. `off_at`: wall seconds."""
    until = "" if off_at is None else f" until {local_clock(round(off_at * 1000))}"
    return _worded(_KEPT_ON, ahead.kept_by, budget=_budget(spent, limit), until=until)


def why_off(ahead: CollectorAhead, spent: int, limit: int | None) -> str:
    """What is over when the collector goes off."""
    return _worded(_OFF, ahead.off_by, budget=_budget(spent, limit)) or _NOTHING


def _budget(spent: int, limit: int | None) -> str:
    return f"{spent} of {named(limit or 0, 'start')}"


def _worded(table: dict[Rule, str], keepers: Iterable[Keeper], **facts: object) -> str:
    """One phrase for each rule, with the names of all that it is about."""
    by_rule: dict[Rule, list[str]] = {}
    for keeper in keepers:
        by_rule.setdefault(keeper.rule, []).append(spoken(keeper.name))
    return "; ".join(
        table.get(rule, spoken(rule)).format(
            names=listed(names, last="and"),
            be="is" if len(names) == 1 else "are",
            have="has" if len(names) == 1 else "have",
            **facts,
        )
        for rule, names in by_rule.items()
    )
