"""Which gates stand open for the granted demands, and the order of the change: make before break (I2, I3)."""

from math import inf

from gatehand_rules import demand, fan, gates
from gatehand_rules.demand import Demand, Kind
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Rule
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.state import GateFault, GateOpen, GateOpening, GateUnknown


def wanted(draft: Draft, at: CollectorAt, granted: list[Demand]) -> list[GateAt]:
    """The gates to stand open: the demands' own, their assist gates, and enough others for `min_open`."""
    collector = draft.shop.collectors[at]
    chosen: list[GateAt] = []
    for one in granted:
        chosen.extend(i for i in one.gates if i not in chosen)
    for one in granted:
        chosen.extend(i for i in one.assist if i not in chosen and demand.may_open(draft, i))
    usable = sum(1 for i in chosen if demand.may_open(draft, i))
    if usable < collector.min_open:
        room = inf if collector.max_open is None else collector.max_open - _told_in_vain(draft, at, chosen)
        for i in spare(draft, at, demand.last_used(draft.collectors[at])):
            if usable >= collector.min_open or sum(1 for j in chosen if _counts(draft, j)) >= room:
                break
            if i not in chosen:
                chosen.append(i)
                usable += 1
    return chosen


def _counts(draft: Draft, at: GateAt) -> bool:
    """Takes a place within `max_open`: one that is told to stand open, or does."""
    return draft.shop.gates[at].commanded or gates.is_proven(draft.gates[at])


def spare(draft: Draft, at: CollectorAt, then: tuple[GateAt, ...]) -> list[GateAt]:
    """Gates to open for the fan's sake, best first: open, on their way, relief, `then`, others; none that cannot."""
    shop, own = draft.shop, draft.shop.gates_of(at)
    order = [i for i in own if shop.gates[i].relief]
    order += [i for i in then if i in own and i not in order]
    order += [i for i in own if i not in order]
    order.sort(key=lambda i: (not gates.is_proven(draft.gates[i]), not isinstance(draft.gates[i].move, GateOpening)))
    return [i for i in order if demand.may_open(draft, i)]


def open_wanted(draft: Draft, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Tell the wanted gates open that are not open or on their way."""
    shop = draft.shop
    leaving = _leaving(draft, at, chosen)
    names = tuple(shop.gates[i].name for i in leaving)
    for i in chosen:
        if not shop.gates[i].commanded or gates.is_roused(draft.gates[i]):
            continue
        if not gates.keeps(draft, i):
            gates.ensure_open(draft, i, Rule.ZONE_CHANGE if names else Rule.DEMAND, names)
        elif gates.may_shut(draft, i):  # with other air for the fan it can be made to speak; else it serves as it is
            gates.rouse(draft, i)


def unproven(draft: Draft, at: CollectorAt, but: GateAt) -> tuple[str, ...]:
    """The other gates that may stand open, unproven and not on their way: they give way to one opened for the fan."""
    lost = (i for i in _leaving(draft, at, [but]) if isinstance(draft.gates[i].move, (GateUnknown, GateFault)))
    return tuple(draft.shop.gates[i].name for i in lost)


def is_ready(draft: Draft, chosen: list[GateAt]) -> bool:
    """No wanted gate is worth waiting for any longer."""
    return all(gates.is_proven(draft.gates[i]) or demand.is_decided_shut(draft, i) for i in chosen)


def shut_others(draft: Draft, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Once the wanted gates are proven, tell the others shut, never the last ones that the fan needs."""
    if not is_ready(draft, chosen) or (chosen and not any(gates.is_proven(draft.gates[i]) for i in chosen)):
        return
    leaving = sorted(_leaving(draft, at, chosen), key=lambda i: gates.is_proven(draft.gates[i]))
    for i in leaving:
        if gates.may_shut(draft, i):
            gates.tell_shut(draft, i, Rule.ZONE_CHANGE)


def _leaving(draft: Draft, at: CollectorAt, chosen: list[GateAt]) -> list[GateAt]:
    """Gates that can be told shut, are not wanted, and are not shut or on their way there."""
    shop = draft.shop
    leaving = [i for i in shop.gates_of(at) if shop.gates[i].commanded and i not in chosen and _not_shut(draft, i)]
    if any(isinstance(draft.gates[i].move, GateFault) for i in leaving):
        # Told shut, it would be no fault any more, and the same demand would try it again and again.
        fitting = demand.fitting(draft, at, demand.of_collector(draft, at))
        asked = {i for one in fitting for i in (*one.gates, *one.assist)}
        leaving = [i for i in leaving if i not in asked or not isinstance(draft.gates[i].move, GateFault)]
    return leaving


def _told_in_vain(draft: Draft, at: CollectorAt, chosen: list[GateAt]) -> int:
    """How many gates beside the chosen are told open, do not come, and are left so."""
    shop, leaving = draft.shop, _leaving(draft, at, chosen)
    return sum(
        1
        for i in shop.gates_of(at)
        if i not in chosen and i not in leaving and _not_shut(draft, i)
        if shop.gates[i].commanded and isinstance(draft.gates[i].move, GateFault)
    )


def _not_shut(draft: Draft, at: GateAt) -> bool:
    move = draft.gates[at].move
    return gates.failed_to_open(move) or isinstance(move, (GateUnknown, GateOpen, GateOpening))


def trim(draft: Draft, at: CollectorAt) -> None:
    """The fan turns with nothing to serve, and a change was left half done: no more than `max_open` stay (I7)."""
    limit, shop = draft.shop.collectors[at].max_open, draft.shop
    own = [i for i in shop.gates_of(at) if shop.gates[i].commanded]
    if limit is None or any(isinstance(draft.gates[i].move, GateOpening) for i in own):
        return
    told = {i: move.since for i in own if isinstance(move := draft.gates[i].move, GateOpen) and move.since > -inf}
    newest_first = sorted(told, key=lambda i: -told[i])
    # A gate of which it is not known where it stands may stand open too, and has the least to say for itself.
    unknown = [i for i in own if isinstance(draft.gates[i].move, GateUnknown)]
    for i in (*newest_first, *unknown)[limit:]:
        if gates.may_shut(draft, i):
            gates.tell_shut(draft, i, Rule.MAX_OPEN)


def rest(draft: Draft, at: CollectorAt) -> None:
    """The fan stands still: shut the gates, or leave those of known position, no more than `max_open`.

    A gate that did not shut after the last run is told again.
    """
    collector, shop = draft.shop.collectors[at], draft.shop
    leaving = _leaving(draft, at, [])
    if collector.rest == "leave":
        last = demand.last_used(draft.collectors[at])
        known = [i for i in leaving if _may_be_left(draft, i)]
        known.sort(key=lambda i: i not in last)
        kept = known[: collector.max_open]
        leaving = [i for i in leaving if i not in kept]
    leaving += [i for i in shop.gates_of(at) if gates.is_stuck_open(draft.gates[i].move)]
    for i in leaving:
        gates.tell_shut(draft, i, Rule.REST)


def _may_be_left(draft: Draft, at: GateAt) -> bool:
    """It is open, or can say where it stands; what did not open is told to shut, and its fault ends."""
    move = draft.gates[at].move
    if isinstance(move, GateFault):
        return False
    return draft.shop.gates[at].reports or not isinstance(move, GateUnknown)


def end_faults(draft: Draft, at: CollectorAt) -> None:
    """The fan is off: a gate that did not open and that nobody asks for any more is told to shut.

    While held no gate is told anything: one that says it is shut is taken at its word.
    """
    if not draft.alarms or fan.may_turn(draft.collectors[at], draft.now):
        return
    asked = {i for one in demand.of_collector(draft, at) for i in (*one.gates, *one.assist)}
    for i in draft.shop.gates_of(at):
        if i in asked or not gates.failed_to_open(draft.gates[i].move):
            continue
        if fan.is_held(draft.collectors[at]):
            gates.shut_after_all(draft, i)
        else:
            gates.tell_shut(draft, i, Rule.REST)


def try_again(draft: Draft, at: CollectorAt) -> None:
    """A fresh start that has too few gates for the fan tries those again that would not open."""
    collector, shop = draft.shop.collectors[at], draft.shop
    own = shop.gates_of(at)
    if sum(1 for i in own if demand.may_open(draft, i)) < collector.min_open:
        for i in own:
            gates.forget_fault(draft, i)


def needed(granted: list[Demand]) -> list[GateAt]:
    """The gates that a start waits for: those of cutting tools and hand starts, assist gates left out."""
    found: list[GateAt] = []
    for one in granted:
        if one.kind is not Kind.RUN_ON or one.may_start:
            found.extend(i for i in one.gates if i not in found)
    return found
