"""What is ahead if nothing else happens: when each collector goes off and why, when run-ons and hand starts end.

Nothing here knows a rule: the rules themselves are played, with a `Tick` at each of their deadlines, until everything
that was asked about has come. So a forecast is right about a new rule without a second place that tells of it.

Nothing else happens: every device goes on saying what it said last and does what it is told. A tool's sensor that
speaks is not going to fall silent, nor is one that is silent going to speak; a gate that reports says that it has
arrived halfway through its travel; a switch is not told again. What is repeated for safety only (the refresh) is left
out, for it changes nothing.
"""

from collections.abc import Iterator, Sequence
from math import inf
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import events as ev
from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.demand import Demand, DemandKind
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.sequence import kept_without_demand, served
from gatehand_rules.shop import CollectorAt, GateAt, Shop, ToolAt
from gatehand_rules.step import next_deadline, step
from gatehand_rules.timing import due
from gatehand_rules.words import Position

HORIZON: Final = 4 * 3600.0
"""Seconds. What lies further ahead (the run limit of a tool that has just started) is not foretold yet."""
MOST_STEPS: Final = 100
"""More deadlines than a shop has within that time; what has not come by then is not foretold."""


class Keeper(Struct, frozen=True):
    """What keeps a collector on: a demand, by `DEMAND` (a cut), `HAND_LIMIT` or `RUN_ON`, or the rule alone."""

    rule: Rule
    name: str = ""
    """Of the tool, or of the gate started by hand; empty for a rule alone."""


class CollectorAhead(Struct, frozen=True):
    """One collector's future. Instants are monotonic seconds; None: it does not come by time alone."""

    kept_by: tuple[Keeper, ...] = ()
    """What keeps it on now; nothing while it is off."""
    off_at: float | None = None
    off_by: tuple[Keeper, ...] = ()
    """What keeps it on last, and by which rule that ends."""
    still_at: float | None = None
    """Off and coasting: when it stands still."""


class Ahead(Struct, frozen=True):
    """The shop's future, in the order of its tools, gates and collectors."""

    run_on_ends: tuple[float | None, ...]
    """Only of a tool that is served, or is about to be."""
    hand_ends: tuple[float | None, ...]
    collectors: tuple[CollectorAhead, ...]
    again_at: float = inf
    """By then more is to be foretold, whether anything has happened or not."""


_NO_GUARD: Final = st.Guard((), (), (), ())


def situation(state: st.State) -> st.State:
    """All of the state that a forecast rests on: while it is the same, so is the forecast."""
    return replace(_lasting(state), guard=_NO_GUARD, wake_at=None)


def forecast(shop: Shop, state: st.State, now: float) -> Ahead:
    """Play the rules from `now` (monotonic seconds) on. Raises what `step` raises when the rules are at fault."""
    play = _Play(shop, state, now)
    for at, event in play.coming():
        play.take(at, event)
    return play.found()


class _Play:
    """One forecast under way: the state as it would be, and what has not come yet."""

    def __init__(self, shop: Shop, state: st.State, now: float) -> None:
        self._shop, self._now, self._end = shop, now, now + HORIZON
        self._again_at = inf
        self._arrived: set[tuple[GateAt, float]] = set()
        """Gates that have said where they are, and for which telling: one that does not count is not said again."""
        self._state = _lasting(state)
        context = Context(shop, state, now)
        wants = {at: served(context, at) for at in shop.each_collector if _may_serve(state.collectors[at])}
        tools = [one.tool for each in wants.values() for one in each if one.kind is DemandKind.RUN_ON]
        self._run_ons: dict[ToolAt, float | None] = {at: None for at in tools if at is not None}
        hands = (at for at in shop.each_gate if state.gates[at].hand is not None)
        self._hands: dict[GateAt, float | None] = dict.fromkeys(hands)
        self._kept = {
            at: _keepers(context, at, wants[at]) for at in shop.each_collector if state.collectors[at].on_phase
        }
        self._off: dict[CollectorAt, tuple[float, tuple[Keeper, ...]]] = {}
        coasting = (at for at in shop.each_collector if _coasts(state.collectors[at], now))
        self._still: dict[CollectorAt, float | None] = dict.fromkeys(coasting)
        self._waits: list[tuple[str, int]] = [
            *(("tool", at) for at in self._run_ons),
            *(("gate", at) for at in self._hands),
            *(("on", at) for at in self._kept),
            *(("still", at) for at in self._still),
        ]

    def coming(self) -> Iterator[tuple[float, ev.Event]]:
        """What comes next and when, until nothing is waited for any more."""
        steps = 0
        while self._waits and steps < MOST_STEPS:
            steps += 1
            wake_at = next_deadline(self._shop, self._state)
            at, event = inf if wake_at is None else wake_at, ev.Tick()
            answers = [*self._arrivals()]
            if self._end < at < inf:
                self._again_at = due(at, -HORIZON)
            if answers and min(answers)[0] <= at:
                at, gate, position, since = min(answers)
                self._arrived.add((gate, since))
                yield max(at, self._now), ev.GateReport(self._shop.gates[gate].name, position)
            elif at > self._end:
                return
            else:
                yield max(at, self._now), event

    def _arrivals(self) -> Iterator[tuple[float, GateAt, Position, float]]:
        """When each gate that reports says that it is where it was told to go."""
        for at in self._shop.each_gate:
            gate, move = self._shop.gates[at], self._state.gates[at].move
            if gate.reports and isinstance(move, st.GateTravels) and (at, move.since) not in self._arrived:
                position = Position.OPEN if isinstance(move, st.GateOpening) else Position.SHUT
                yield due(move.since, gate.travel / 2), at, position, move.since

    def take(self, now: float, event: ev.Event) -> None:
        """One step further."""
        before, outcome = self._state, step(self._shop, self._state, event, now)
        was, self._now, self._state = self._now, now, _lasting(outcome.state)
        for kind, at in tuple(self._waits):
            match kind:
                case "tool":
                    over = self._look_at_tool(ToolAt(at))
                case "gate":
                    over = self._look_at_hand(GateAt(at))
                case "on":
                    over = self._look_at_fan(CollectorAt(at), before, was, outcome.findings)
                case _:
                    over = self._look_at_coasting(CollectorAt(at))
            if over:
                self._waits.remove((kind, at))

    def _look_at_tool(self, at: ToolAt) -> bool:
        tool = self._state.tools[at]
        if isinstance(tool, st.ToolRunOn) or (isinstance(tool, st.ToolSilent) and not tool.let_go):
            return False
        if not isinstance(tool, st.ToolRunning):
            self._run_ons[at] = self._now
        return True

    def _look_at_hand(self, at: GateAt) -> bool:
        if self._state.gates[at].hand is not None:
            return False
        self._hands[at] = self._now
        return True

    def _look_at_fan(self, at: CollectorAt, before: st.State, was: float, findings: Sequence[Finding]) -> bool:
        if self._state.collectors[at].on_phase:
            return False
        context = Context(self._shop, before, was)
        last = _last(served(context, at))
        self._off[at] = self._now, _ended(_keepers(context, at, last), self._shop.collectors[at].name, findings)
        return True

    def _look_at_coasting(self, at: CollectorAt) -> bool:
        fan = self._state.collectors[at]
        if _coasts(fan, self._now):
            return False
        if not fan.on_phase and fan.still_at == -inf:
            self._still[at] = self._now
        return True

    def found(self) -> Ahead:
        """What has come."""
        return Ahead(
            run_on_ends=tuple(self._run_ons.get(at) for at in self._shop.each_tool),
            hand_ends=tuple(self._hands.get(at) for at in self._shop.each_gate),
            collectors=tuple(map(self._of_fan, self._shop.each_collector)),
            again_at=self._again_at,
        )

    def _of_fan(self, at: CollectorAt) -> CollectorAhead:
        off_at, off_by = self._off.get(at, (None, ()))
        return CollectorAhead(self._kept.get(at, ()), off_at, off_by, self._still.get(at))


def _may_serve(fan: st.CollectorState) -> bool:
    return fan.on_phase or isinstance(fan.phase, st.Opening)


def _coasts(fan: st.CollectorState, now: float) -> bool:
    """Switched off and not known to turn: it stands still at an instant that is known."""
    return not fan.on_phase and now < fan.still_at < inf


def _last(demands: list[Demand]) -> list[Demand]:
    """Those that end last."""
    latest = max((one.ends for one in demands), default=inf)
    return [one for one in demands if one.ends == latest]


_KEPT_BY: Final = {DemandKind.CUT: Rule.DEMAND, DemandKind.HAND: Rule.HAND_LIMIT, DemandKind.RUN_ON: Rule.RUN_ON}


def _keepers(context: Context, at: CollectorAt, demands: list[Demand]) -> tuple[Keeper, ...]:
    """What keeps it on: these demands, or what keeps it without any."""
    if demands:
        return tuple(Keeper(_KEPT_BY[one.kind], one.name) for one in demands)
    rule = kept_without_demand(context, at)
    return () if rule is None else (Keeper(rule),)


def _ended(keepers: tuple[Keeper, ...], collector: str, findings: Sequence[Finding]) -> tuple[Keeper, ...]:
    """What ended it, where it was not that the last of them ran out: a cut's own end, or another rule than theirs."""
    for finding in findings:
        if finding.event is Happened.COLLECTOR_OFF and finding.collector == collector:
            if finding.rule is not Rule.NO_DEMAND:
                return (Keeper(finding.rule),)
            break
    how = {each.tool: each.rule for each in findings if each.event in {Happened.TOOL_MUTED, Happened.TOOL_STOPPED}}
    return tuple(
        Keeper(how.get(each.name, each.rule), each.name) if each.rule is Rule.DEMAND else each for each in keepers
    )


def _lasting(state: st.State) -> st.State:
    """The same with every device going on as it is: heard for ever, and told for ever.

    A start that waits to be confirmed after a silence waits on: the second reading that confirms it is news.
    """
    tools, collectors = tuple(map(_heard_on, state.tools)), tuple(map(_told_on, state.collectors))
    return replace(state, tools=tools, collectors=collectors)


def _heard_on(tool: st.ToolState) -> st.ToolState:
    if isinstance(tool, st.ToolSilent) or (tool.heard_at == inf and tool.value is None):
        return tool
    return replace(tool, value=None, heard_at=inf)


def _told_on(fan: st.CollectorState) -> st.CollectorState:
    """Also without what is only told of it: when its switch and its motor spoke, and what the motor drew."""
    if fan.told_on_at is not None and fan.told_on_at < inf:
        fan = replace(fan, told_on_at=inf)
    if fan.answer is not None and fan.answer.since < inf:
        fan = replace(fan, answer=replace(fan.answer, since=inf))
    if fan.motor is not None or fan.reported_at > -inf or fan.told_at > -inf:
        fan = replace(fan, motor=None, reported_at=-inf, told_at=-inf)
    return fan
