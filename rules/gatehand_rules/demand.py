"""Who wants suction, in which order, and who gets it within `max_open`.

Cutting tools come first, the oldest start first; then hand starts; then run-on, the newest stop first, because its
chips are still in the duct; what began in the same instant goes by the order of the config. A tool in run-on so gives
way to a tool that cuts, a newcomer never takes the suction from a tool that is cutting, and what does not fit is
refused with a finding (I7). A demand that may start nothing and has no air yet takes no room from one of its kind that
may. No gate is told to open for a run-on or a hand start that would be over before the gate is open.
"""

from collections.abc import Collection, Hashable, Sequence
from enum import IntEnum
from math import inf
from typing import TypeVar

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.detect import held_from
from gatehand_rules.findings import Alarm, Rule
from gatehand_rules.gates import is_proven, is_roused, keeps
from gatehand_rules.shop import CollectorAt, GateAt, ToolAt
from gatehand_rules.timing import due
from gatehand_rules.words import Position


class DemandKind(IntEnum):
    """Rank of a demand; lower is served first."""

    CUT = 0
    HAND = 1
    RUN_ON = 2


class Demand(Struct, frozen=True, kw_only=True):
    """One tool's or hand start's wish. `gates` are indices; `assist` gates are never waited for."""

    kind: DemandKind
    since: float
    name: str
    """The tool's, or that of the gate started by hand."""
    tool: ToolAt | None = None
    gates: tuple[GateAt, ...]
    assist: tuple[GateAt, ...] = ()
    ends: float = inf
    """When it is over by time alone; inf: nobody knows."""
    may_start: bool = False
    unconfirmed: bool = False
    """It may start once its tool is heard again."""

    @property
    def label(self) -> tuple[str, str]:
        """Whose demand it is: kind and name."""
        return ("gate" if self.kind is DemandKind.HAND else "tool"), self.name

    def alarm(self, what: str) -> Alarm:
        """This demand's alarm `what`."""
        return Alarm(*self.label, what)


def of_collector(context: Context, at: CollectorAt) -> list[Demand]:
    """All demands on the collector at index `at`, in the order in which they are served."""
    shop = context.shop
    found: list[Demand] = []
    for i in shop.tools_of(at):
        if type(context.tools[i]) is st.ToolIdle:  # most tools, most of the time
            continue
        if (one := _of_tool(context, i)) is not None:
            found.append(one)
    for gate in shop.gates_of(at):
        hand, of = context.gates[gate].hand, shop.gates[gate]
        if hand is not None:
            kind, since, ends = DemandKind.HAND, hand.since, due(hand.since, of.hand_limit)
            one = Demand(kind=kind, since=since, name=of.name, gates=(gate,), ends=ends, may_start=not hand.kept)
            found.append(one)
    if len(found) < 2:  # noqa: PLR2004 - nothing to put in order
        return found
    on = context.collectors[at].on_phase
    found.sort(key=lambda one: (one.kind, not (one.may_start or (on and _has_air(context, one))), _turn(one)))
    return found


def _of_tool(context: Context, at: ToolAt) -> Demand | None:
    match context.tools[at]:
        case st.ToolRunning(since=since, freshness=freshness):
            kind = DemandKind.CUT
        case st.ToolRunOn(since=since, freshness=freshness):
            kind = DemandKind.RUN_ON
        case st.ToolSilent(was=st.ToolRunning() | st.ToolRunOn(), let_go=False) as silent:
            # A silent sensor never starts anything; it keeps what it had for its run-on.
            kind, since, freshness = DemandKind.RUN_ON, held_from(silent), st.Freshness.STALE
        case _:
            return None
    tool, (own, assist) = context.shop.tools[at], context.shop.ways_of(at)
    return Demand(
        kind=kind,
        since=since,
        name=tool.name,
        tool=at,
        gates=own,
        assist=assist,
        ends=inf if kind is DemandKind.CUT else due(since, tool.run_on),
        may_start=freshness is st.Freshness.FRESH,
        unconfirmed=freshness is st.Freshness.UNCONFIRMED,
    )


def _turn(one: Demand) -> float:
    """Its place among its kind: the oldest start, but the newest stop, comes first."""
    return -one.since if one.kind is DemandKind.RUN_ON else one.since


def _has_air(context: Context, one: Demand) -> bool:
    """Its gates are open or on their way, so that a running fan serves it."""
    return all(
        isinstance(context.gates[i].move, (st.GateOpen, st.GateOpening)) or _is_near(context, i) for i in one.gates
    )


def _is_near(context: Context, at: GateAt) -> bool:
    """Open by an old word that counts, or being shut so that it can be opened."""
    return is_roused(context.gates[at]) or keeps(context, at)


def fitting(context: Context, at: CollectorAt) -> list[Demand]:
    """Those whose gates fit into `max_open`, best rank first; the assist gates last of all, where there is room."""
    return _fit(_worth_a_move(context, at), context.shop.collectors[at].max_open)


def _fit(demands: list[Demand], limit: int | None) -> list[Demand]:
    fitting = admitted([(one.gates, one.assist) for one in demands], limit)
    return [replace(demands[i], assist=extra) for i, extra in fitting]


_Gate = TypeVar("_Gate", bound=Hashable)


def admitted(
    wants: Sequence[tuple[Collection[_Gate], Sequence[_Gate]]], limit: int | None
) -> list[tuple[int, tuple[_Gate, ...]]]:
    """Which wants (own gates, assist gates; best rank first) fit into `max_open`, and with which of their assist gates.

    Own gates come first, all of one want or none; then the assist gates of those that fit, in their order. Returns the
    places of those that fit with the assist gates that open for them. Also what the ducts ask what can stand open.
    """
    if limit is None:
        return [(i, tuple(assist)) for i, (_, assist) in enumerate(wants)]
    taken: set[_Gate] = set()
    found: list[int] = []
    for i, (gates, _) in enumerate(wants):
        if len(taken.union(gates)) <= limit:
            taken.update(gates)
            found.append(i)
    fitting: list[tuple[int, tuple[_Gate, ...]]] = []
    for i in found:
        extra = tuple(gate for gate in wants[i][1] if gate not in taken)[: limit - len(taken)]
        taken.update(extra)
        fitting.append((i, extra))
    return fitting


def _worth_a_move(context: Context, at: CollectorAt) -> list[Demand]:
    """Each without the gates that would have to move and would be open too late for it; gone, where none is left."""
    found: list[Demand] = []
    for one in of_collector(context, at):
        if one.ends == inf:
            found.append(one)
            continue
        own, assist = (
            tuple(i for i in some if not _too_late(context, i, one.ends)) for some in (one.gates, one.assist)
        )
        if own or not one.gates:
            found.append(replace(one, gates=own, assist=assist))
    return found


def _too_late(context: Context, at: GateAt, ends: float) -> bool:
    """The gate would have to be told to open, and would not be open before `ends`."""
    move = context.gates[at].move
    rests = isinstance(move, (st.GateShut, st.GateShutting, st.GateUnknown))
    rests = rests and not _is_near(context, at)
    return rests and context.shop.gates[at].commanded and due(context.now, context.shop.gates[at].travel) >= ends


def grant(context: Context, at: CollectorAt) -> list[Demand]:
    """Those that fit into `max_open`; the others leave a finding and an alarm, once."""
    collector, demands = context.shop.collectors[at], _worth_a_move(context, at)
    granted = _fit(demands, collector.max_open)
    if collector.max_open is None:
        return granted
    served = {one.label for one in granted}
    taken = {i for one in granted for i in one.gates}
    names = ", ".join(context.shop.gates[i].name for i in sorted(taken))
    for one in demands:
        alarm = one.alarm("max_open")
        if one.label in served:
            context.clear_alarm(alarm, Rule.MAX_OPEN)
        elif one.kind is not DemandKind.RUN_ON:
            context.refuse(alarm, Rule.MAX_OPEN, collector.name, max_open=collector.max_open, taken=names)
    return granted


def clear_old_refusals(context: Context, at: CollectorAt) -> None:
    """A refusal of a tool that does not cut any more no longer stands."""
    if not context.alarms:
        return
    for i in context.shop.tools_of(at):
        for what in ("max_open", "not_served") if not isinstance(context.tools[i], st.ToolRunning) else ():
            context.clear_alarm(Alarm("tool", context.shop.tools[i].name, what), Rule.NO_DEMAND)


def can_be_served(context: Context, one: Demand) -> bool:
    """At least one of its gates is proven or may still come to be; a demand without gates always can."""
    return not one.gates or any(may_open(context, i) for i in one.gates)


def may_open(context: Context, at: GateAt) -> bool:
    """The gate is proven open, on its way, or can be told to go."""
    state = context.gates[at]
    return is_proven(state) or not is_decided_shut(context, at)


def is_decided_shut(context: Context, at: GateAt) -> bool:
    """Waiting for this gate is of no use: it is faulty, or is moved by hand only and not open."""
    state, gate = context.gates[at], context.shop.gates[at]
    if isinstance(state.move, st.GateFault):
        return state.move.wanted is Position.OPEN or not gate.commanded
    return not gate.commanded and not is_proven(state) and not keeps(context, at)


def proven(context: Context, at: CollectorAt) -> list[GateAt]:
    """Indices of the collector's gates that are proven open."""
    return [i for i in context.shop.gates_of(at) if is_proven(context.gates[i])]


def keeping(context: Context, at: CollectorAt) -> int:
    """How many gates keep a running fan: those proven open, and for one found turning those that were said to be."""
    return sum(1 for i in context.shop.gates_of(at) if is_proven(context.gates[i]) or keeps(context, i))
