"""Which gates stand open for the granted demands, and the order of the change: make before break (I2, I3)."""

from math import inf

from gatehand_rules import collectors, demand, gates
from gatehand_rules.context import Context
from gatehand_rules.demand import Demand, DemandKind
from gatehand_rules.findings import Rule
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.state import GateFault, GateOpen, GateOpening, GateUnknown


def wanted(context: Context, at: CollectorAt, granted: list[Demand]) -> list[GateAt]:
    """The gates to stand open: the demands' own, their assist gates, and enough others for `min_open`."""
    collector = context.shop.collectors[at]
    chosen: list[GateAt] = []
    for one in granted:
        chosen.extend(i for i in one.gates if i not in chosen)
    for one in granted:
        chosen.extend(i for i in one.assist if i not in chosen and demand.may_open(context, i))
    usable = sum(1 for i in chosen if demand.may_open(context, i))
    if usable < collector.min_open:
        room = inf if collector.max_open is None else collector.max_open - _told_in_vain(context, at, chosen)
        for i in spare(context, at):
            if usable >= collector.min_open or sum(1 for j in chosen if _counts(context, j)) >= room:
                break
            if i not in chosen:
                chosen.append(i)
                usable += 1
    return chosen


def _counts(context: Context, at: GateAt) -> bool:
    """Takes a place within `max_open`: one that is told to stand open, or does."""
    return context.shop.gates[at].commanded or gates.is_proven(context.gates[at])


def spare(context: Context, at: CollectorAt) -> list[GateAt]:
    """Gates to open for the fan's sake, best first: open, on their way, relief, last used, others; none that cannot."""
    shop, own = context.shop, context.shop.gates_of(at)
    last = context.collectors[at].last_gate

    def rank(i: GateAt) -> tuple[bool, ...]:
        state, relief = context.gates[i], shop.gates[i].relief
        on_its_way = isinstance(state.move, GateOpening)
        return not gates.is_proven(state), not on_its_way, not relief, not relief and i != last

    return sorted((i for i in own if demand.may_open(context, i)), key=rank)


def open_wanted(context: Context, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Tell the wanted gates open that are not open or on their way."""
    shop = context.shop
    leaving = _leaving(context, at, chosen)
    names = tuple(shop.gates[i].name for i in leaving)
    for i in chosen:
        if not shop.gates[i].commanded or gates.is_roused(context.gates[i]):
            continue
        if not gates.keeps(context, i):
            gates.ensure_open(context, i, Rule.ZONE_CHANGE if names else Rule.DEMAND, names)
        elif gates.may_shut(context, i):  # with other air for the fan it can be made to speak; else it serves as it is
            gates.rouse(context, i)


def unproven(context: Context, at: CollectorAt, but: GateAt) -> tuple[str, ...]:
    """The other gates that may stand open, unproven and not on their way: they give way to one opened for the fan."""
    lost = (i for i in _leaving(context, at, [but]) if isinstance(context.gates[i].move, (GateUnknown, GateFault)))
    return tuple(context.shop.gates[i].name for i in lost)


def is_ready(context: Context, chosen: list[GateAt]) -> bool:
    """No wanted gate is worth waiting for any longer."""
    return all(gates.is_proven(context.gates[i]) or demand.is_decided_shut(context, i) for i in chosen)


def shut_others(context: Context, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Once the wanted gates are proven, tell the others shut, never the last ones that the fan needs."""
    if not is_ready(context, chosen) or (chosen and not any(gates.is_proven(context.gates[i]) for i in chosen)):
        return
    leaving = sorted(_leaving(context, at, chosen), key=lambda i: gates.is_proven(context.gates[i]))
    for i in leaving:
        if gates.may_shut(context, i):
            gates.tell_shut(context, i, Rule.ZONE_CHANGE)


def _leaving(context: Context, at: CollectorAt, chosen: list[GateAt]) -> list[GateAt]:
    """Gates that can be told shut, are not wanted, and are not shut or on their way there."""
    shop = context.shop
    leaving = [i for i in shop.gates_of(at) if shop.gates[i].commanded and i not in chosen and _not_shut(context, i)]
    if any(isinstance(context.gates[i].move, GateFault) for i in leaving):
        # Told shut, it would be no fault any more, and the same demand would try it again and again.
        asked = {i for one in demand.fitting(context, at) for i in (*one.gates, *one.assist)}
        leaving = [i for i in leaving if i not in asked or not isinstance(context.gates[i].move, GateFault)]
    return leaving


def _told_in_vain(context: Context, at: CollectorAt, chosen: list[GateAt]) -> int:
    """How many gates beside the chosen are told open, do not come, and are left so."""
    shop, leaving = context.shop, _leaving(context, at, chosen)
    return sum(
        1
        for i in shop.gates_of(at)
        if i not in chosen and i not in leaving and _not_shut(context, i)
        if shop.gates[i].commanded and isinstance(context.gates[i].move, GateFault)
    )


def _not_shut(context: Context, at: GateAt) -> bool:
    move = context.gates[at].move
    unknown = isinstance(move, GateUnknown) and not move.unheard
    return unknown or gates.failed_to_open(move) or isinstance(move, (GateOpen, GateOpening))


def trim(context: Context, at: CollectorAt) -> None:
    """The fan turns with nothing to serve, and a change was left half done: no more than `max_open` stay (I7)."""
    limit, shop = context.shop.collectors[at].max_open, context.shop
    own = [i for i in shop.gates_of(at) if shop.gates[i].commanded]
    if limit is None or any(isinstance(context.gates[i].move, GateOpening) for i in own):
        return
    told = {i: move.since for i in own if isinstance(move := context.gates[i].move, GateOpen) and move.since > -inf}
    newest_first = sorted(told, key=lambda i: -told[i])
    # A gate of which it is not known where it stands may stand open too, and has the least to say for itself.
    unknown = [i for i in own if isinstance(move := context.gates[i].move, GateUnknown) and not move.unheard]
    for i in (*newest_first, *unknown)[limit:]:
        if gates.may_shut(context, i):
            gates.tell_shut(context, i, Rule.MAX_OPEN)


def rest(context: Context, at: CollectorAt) -> None:
    """The fan stands still: shut the gates, or leave those of known position, no more than `max_open`.

    A gate that did not shut after the last run is told again.
    """
    collector, shop = context.shop.collectors[at], context.shop
    leaving = _leaving(context, at, [])
    if collector.rest == "leave":
        known = [i for i in leaving if _may_be_left(context, i)]
        known.sort(key=lambda i: i != context.collectors[at].last_gate)
        kept = known[: collector.max_open]
        leaving = [i for i in leaving if i not in kept]
    leaving += [i for i in shop.gates_of(at) if gates.is_told_shut_in_vain(context.gates[i].move)]
    for i in leaving:
        gates.tell_shut(context, i, Rule.REST)


def _may_be_left(context: Context, at: GateAt) -> bool:
    """It is open, or can say where it stands; what did not open is told to shut, and its fault ends."""
    move = context.gates[at].move
    if isinstance(move, GateFault):
        return False
    return context.shop.gates[at].reports or not isinstance(move, GateUnknown)


def end_faults(context: Context, at: CollectorAt) -> None:
    """The fan is off: a gate that did not open and that nobody asks for any more is told to shut.

    While held no gate is told anything: one that says it is shut is taken at its word.
    """
    if not context.alarms or collectors.may_turn(context.collectors[at], context.now):
        return
    asked = {i for one in demand.of_collector(context, at) for i in (*one.gates, *one.assist)}
    for i in context.shop.gates_of(at):
        if i in asked or not gates.failed_to_open(context.gates[i].move):
            continue
        if collectors.is_held(context.collectors[at]):
            gates.shut_after_all(context, i)
        else:
            gates.tell_shut(context, i, Rule.REST)


def try_again(context: Context, at: CollectorAt) -> None:
    """A fresh start that has too few gates for the fan tries those again that would not open."""
    collector, shop = context.shop.collectors[at], context.shop
    own = shop.gates_of(at)
    if sum(1 for i in own if demand.may_open(context, i)) < collector.min_open:
        for i in own:
            gates.forget_fault(context, i)


def needed(granted: list[Demand]) -> list[GateAt]:
    """The gates that a start waits for: those of cutting tools and hand starts, assist gates left out."""
    found: list[GateAt] = []
    for one in granted:
        if one.kind is not DemandKind.RUN_ON or one.may_start:
            found.extend(i for i in one.gates if i not in found)
    return found
