"""The interlock: small, apart, last. It sees every event and every command, and drops what breaks an invariant.

It knows nothing of the sequence and shares no helper with it, only the records. What it remembers is its own `Guard`.
Read it in one sitting: `observe` keeps the record, `judge` lets a command pass or vetoes it, `enforce` adds what must
leave at once if the sequence did not say it (I4, I5).

Proven open: reported open by a live report, and seen shut since it was last told shut; or told open at least `travel`
ago, for a gate that cannot report or whose last word, once heard live, says open. A word of unknown age proves nothing:
it may keep a fan that turned at the daemon's start, until that is off. What travelled long enough once has
travelled, whatever `travel` becomes. A fan may turn when it was switched on, is seen on, was never told anything, or
was switched off (or last seen) within `coast_down`.
"""

from math import inf

from msgspec.structs import replace

from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.shop import CollectorAt, GateAt, Shop, ToolAt
from gatehand_rules.state import FanSeen, GateSeen, Guard
from gatehand_rules.words import Position


def initial(shop: Shop) -> Guard:
    """Nothing seen; every fan may turn, and nothing is armed for a start."""
    return Guard(
        gates=tuple(GateSeen() for _ in shop.gates),
        fans=tuple(FanSeen(adopting=True) for _ in shop.collectors),
        low=tuple(False for _ in shop.tools),
        stops=tuple(False for _ in shop.stops),
    )


def _proven(shop: Shop, guard: Guard, at: GateAt, now: float) -> bool:
    gate, seen = shop.gates[at], guard.gates[at]
    by_time = _has_travelled(shop, guard, at, now)
    if gate.reports:
        return seen.reported is Position.OPEN and seen.heard and not seen.left and (seen.live or by_time)
    return by_time


def _has_travelled(shop: Shop, guard: Guard, at: GateAt, now: float) -> bool:
    seen = guard.gates[at]
    over = seen.travelled or now >= round(seen.told_at + shop.gates[at].travel, 6)
    return seen.told is Position.OPEN and over


def note_travelled(shop: Shop, guard: Guard, at: GateAt, now: float) -> Guard:
    """Before the gate's `travel` changes: whether it has had it, it keeps. Else time is asked at every look."""
    return _gate(guard, at, travelled=_has_travelled(shop, guard, at, now))


def _on_its_way(shop: Shop, guard: Guard, at: GateAt, now: float) -> bool:
    """Told open, and its travel since the last telling has not run out."""
    seen = guard.gates[at]
    within = now < round(seen.again_at + shop.gates[at].travel, 6)
    return seen.told is Position.OPEN and within and not _proven(shop, guard, at, now)


def _gives_way(shop: Shop, guard: Guard, at: GateAt) -> bool:
    heir = shop.gate_at(guard.gates[at].gives_way_to or "")
    return heir is not None and guard.gates[heir].told is Position.OPEN


def _open_gates(shop: Shop, guard: Guard, fan: CollectorAt, now: float) -> list[GateAt]:
    return [i for i in shop.gates_of(fan) if _proven(shop, guard, i, now)]


def _air_for_found(shop: Shop, guard: Guard, fan: CollectorAt, now: float) -> int:
    """Gates of a fan found turning that are open by any word, or on their way."""
    said = [i for i in shop.gates_of(fan) if guard.gates[i].reported is Position.OPEN and not guard.gates[i].left]
    return sum(
        1 for i in shop.gates_of(fan) if i in said or _proven(shop, guard, i, now) or _on_its_way(shop, guard, i, now)
    )


def _shown_on(seen: FanSeen) -> bool:
    return seen.reported_on is True or seen.drawing is True


def _is_on(seen: FanSeen) -> bool:
    return seen.told_on is True or _shown_on(seen)


def _may_turn(shop: Shop, guard: Guard, fan: CollectorAt, now: float) -> bool:
    seen = guard.fans[fan]
    unknown = seen.told_on is None
    return unknown or _is_on(seen) or now < round(seen.off_at + shop.collectors[fan].coast_down, 6)


def see_reading(shop: Shop, guard: Guard, at: ToolAt, value: float) -> Guard:
    """A live reading: a tool seen low and then at its start threshold arms its collector (I5)."""
    tool = shop.tools[at]
    if value < tool.stop_at:
        return guard if guard.low[at] else replace(guard, low=(*guard.low[:at], True, *guard.low[at + 1 :]))
    if value < tool.start_at or not guard.low[at]:
        return guard
    guard = replace(guard, low=(*guard.low[:at], False, *guard.low[at + 1 :]))
    return _arm(shop, guard, tool.collector)


def _arm(shop: Shop, guard: Guard, collector: str) -> Guard:
    at = shop.collector_at(collector)
    if at is None or guard.fans[at].armed or guard.fans[at].latched:
        return guard
    return _fan(guard, at, armed=True)


def _fan(guard: Guard, at: CollectorAt, **changes: object) -> Guard:
    seen = replace(guard.fans[at], **changes)
    return replace(guard, fans=(*guard.fans[:at], seen, *guard.fans[at + 1 :]))


def _gate(guard: Guard, at: GateAt, **changes: object) -> Guard:
    seen = replace(guard.gates[at], **changes)
    return replace(guard, gates=(*guard.gates[:at], seen, *guard.gates[at + 1 :]))


def observe(shop: Shop, guard: Guard, event: ev.Event, now: float) -> Guard:
    """Take in one event."""
    if guard.old and not isinstance(event, (ev.HoldAsked, ev.OffAsked)) and getattr(event, "retained", True) is False:
        event = replace(event, retained=True)  # it waited through a standstill: caution, and no proof
    match event:
        case ev.Reading(tool=name, value=value, retained=False):
            tool = shop.tool_at(name)
            return guard if tool is None else see_reading(shop, guard, tool, value)
        case ev.Reading(tool=name, value=value, retained=True) if (tool := shop.tool_at(name)) is not None:
            # Of unknown age it arms nothing, yet a live reading after it is seen to rise.
            return see_reading(shop, guard, tool, value) if value < shop.tools[tool].stop_at else guard
        case ev.GateReport(gate=name, position=position, retained=retained):
            gate = shop.gate_at(name)
            return guard if gate is None else _see_gate(shop, guard, gate, position, now, retained=retained)
        case ev.ButtonPressed(gate=name, retained=False) | ev.HandAsked(gate=name, on=True, retained=False):
            gate = shop.gate_at(name)
            return guard if gate is None else _arm(shop, guard, shop.gates[gate].collector)
        case ev.CollectorReport(collector=name, on=on):
            home = shop.collector_at(name)
            known = home is not None and shop.collectors[home].reports
            return _see_fan(guard, home, now, reported_on=on) if home is not None and known else guard
        case ev.CollectorReading(collector=name, value=value, retained=retained):
            home = shop.collector_at(name)
            if home is None or not shop.collectors[home].senses_motor:
                return guard
            drawing = value >= shop.collectors[home].turns_at
            return guard if retained and not drawing else _see_fan(guard, home, now, drawing=drawing)
        case ev.StopReport(stop=name, active=active):
            return _see_stop(shop, guard, name, active=active)
        case ev.HoldAsked(collector=name, retained=False) | ev.HoldRemembered(collector=name):
            home = shop.collector_at(name)
            return guard if home is None else _latch(guard, home)
        case ev.OffAsked(collector=name, retained=False):
            home = shop.collector_at(name)
            return guard if home is None else _fan(guard, home, armed=False)
        case ev.ResetAsked(collector=name, retained=retained):
            home = shop.collector_at(name)
            if home is None:
                return guard
            alone = not retained and now >= round(guard.fans[home].reset_asked_at + shop.guard_timing.reset_alone, 6)
            guard = _fan(guard, home, reset_asked_at=now)
            return _unlatch(shop, guard, home, now) if alone else guard
        case ev.ResetButton(collector=name, pressed=pressed, retained=False):
            home = shop.collector_at(name)
            return guard if home is None else _see_press(shop, guard, home, now, pressed=pressed)
        case ev.BrokerConnected():
            guard = _forget_presses(guard, now)
            return guard if guard.over else replace(guard, watching_from=round(now + shop.guard_timing.retained_in, 6))
        case ev.BrokerLost(heard_at=heard_at):
            return _lost(replace(guard, watching_from=inf), heard_at)
        case ev.StopsLost() | ev.StopsHeard() if guard.unheard or isinstance(event, ev.StopsLost):
            return replace(_forget_presses(guard, now), unheard=isinstance(event, ev.StopsLost))
        case ev.LoopStood() | ev.LoopCaughtUp() if guard.old or isinstance(event, ev.LoopStood):
            return replace(_forget_presses(guard, now), old=isinstance(event, ev.LoopStood))
        case ev.ShutdownAsked():
            return replace(guard, watching_from=inf, over=True)
        case _:
            return guard


def _latch(guard: Guard, at: CollectorAt) -> Guard:
    """Held. A press of the reset begins anew after it (I5)."""
    return _fan(guard, at, latched=True, armed=False, reset_up=False, reset_down_at=None)


def _forget_presses(guard: Guard, now: float) -> Guard:
    """Presses and messages from before were not heard, or are not to count."""
    for i in range(len(guard.fans)):
        guard = _fan(guard, CollectorAt(i), reset_up=False, reset_down_at=None, reset_asked_at=now)
    return guard


def _unlatch(shop: Shop, guard: Guard, at: CollectorAt, now: float) -> Guard:
    """A press that counts ends a hold whose cause is gone, and arms nothing (I5)."""
    held = guard.fans[at].latched and not _is_stopped(shop, guard, at) and now >= guard.no_start_before
    return _fan(guard, at, latched=False, armed=False) if held else guard


def _is_stopped(shop: Shop, guard: Guard, at: CollectorAt) -> bool:
    """A stop contact of its own is active, or nobody knows."""
    name = shop.collectors[at].name
    return guard.unheard or any(
        active and name in stop.collectors for stop, active in zip(shop.stops, guard.stops, strict=True)
    )


def _see_press(shop: Shop, guard: Guard, at: CollectorAt, now: float, *, pressed: bool) -> Guard:
    """The reset button: released since the cause is gone, then pressed, then released in time (I5)."""
    seen = guard.fans[at]
    if _is_stopped(shop, guard, at):
        return guard
    if pressed:
        return _fan(guard, at, reset_up=False, reset_down_at=now) if seen.reset_up else guard
    guard = _fan(guard, at, reset_up=True, reset_down_at=None)
    down_at, shortest, longest = seen.reset_down_at, shop.guard_timing.reset_shortest, shop.guard_timing.reset_longest
    counts = down_at is not None and round(down_at + shortest, 6) <= now <= round(down_at + longest, 6)
    return _unlatch(shop, guard, at, now) if counts else guard


def _lost(guard: Guard, heard_at: float) -> Guard:
    """What was told after the broker was last heard may not have arrived."""
    for i, gate in enumerate(guard.gates):
        if gate.told is Position.OPEN and gate.told_at > heard_at:
            guard = _gate(guard, GateAt(i), told=None, travelled=False)
    for i, fan in enumerate(guard.fans):
        if fan.told_on is False and fan.off_at > heard_at:
            guard = _fan(guard, CollectorAt(i), off_at=inf)
    return guard


def _see_gate(shop: Shop, guard: Guard, at: GateAt, position: Position, now: float, *, retained: bool) -> Guard:
    gate, seen = shop.gates[at], guard.gates[at]
    if not gate.reports:
        return guard
    live = not retained or (seen.live and seen.reported is position)
    heard = not retained or (seen.heard and seen.reported is position)
    was_shut = seen.reported is Position.SHUT and now >= round(seen.told_at + gate.travel, 6)
    left = seen.left and position is not Position.SHUT and not was_shut
    moved = position is not Position.OPEN and seen.live and _proven(shop, guard, at, now)
    told = None if moved else seen.told  # moved by somebody: what it was told holds no longer
    travelled = seen.travelled and not moved
    guard = _gate(guard, at, told=told, travelled=travelled, reported=position, heard=heard, live=live, left=left)
    opened = position is Position.OPEN and not retained
    by_itself = opened and (told is not Position.OPEN or seen.reported is Position.SHUT)
    return _arm(shop, guard, gate.collector) if by_itself and gate.on_hand_open == "start" else guard


def _see_fan(guard: Guard, at: CollectorAt, now: float, **changes: bool) -> Guard:
    was_on = _shown_on(guard.fans[at])
    guard = _fan(guard, at, **changes)
    if _shown_on(guard.fans[at]):
        return guard
    guard = _fan(guard, at, off_told=False, adopting=guard.fans[at].adopting and guard.fans[at].told_on is None)
    return _fan(guard, at, off_at=now) if was_on else guard


def _see_stop(shop: Shop, guard: Guard, name: str, *, active: bool) -> Guard:
    at = shop.stop_at(name)
    if at is None:
        return guard
    guard = replace(guard, stops=(*guard.stops[:at], active, *guard.stops[at + 1 :]))
    for collector in shop.stops[at].collectors if active else ():
        home = shop.collector_at(collector)
        if home is not None:
            guard = _latch(guard, home)
    return guard


def judge(
    shop: Shop, guard: Guard, commands: tuple[Command, ...], now: float
) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
    """Let pass what keeps the invariants; veto the rest, each with a finding."""
    passed: list[Command] = []
    findings: list[Finding] = []
    for command in commands:
        guard, veto = _judge_one(shop, guard, command, now)
        if veto is None:
            passed.append(command)
        else:
            findings.append(veto)
    return guard, tuple(passed), tuple(findings)


def _judge_one(shop: Shop, guard: Guard, command: Command, now: float) -> tuple[Guard, Finding | None]:
    match command:
        case CollectorOn(collector=name) if (home := shop.collector_at(name)) is not None:
            veto = _veto_on(shop, guard, home, now)
            return (guard if veto else _fan(guard, home, told_on=True, adopting=False)), veto
        case CollectorOff(collector=name) if (home := shop.collector_at(name)) is not None:
            seen = guard.fans[home]
            again = seen.told_on is False and seen.off_at < inf
            off_at = seen.off_at if again else now
            return _fan(
                guard, home, told_on=False, off_at=off_at, off_told=True, adopting=seen.adopting and _shown_on(seen)
            ), None
        case ShutGate(gate=name) if (gate := shop.gate_at(name)) is not None:
            veto = _veto_shut(shop, guard, gate, now)
            return (guard, veto) if veto else (_told_shut(_nobody_gives_way_to(guard, name), gate, now), None)
        case OpenGate(gate=name, instead_of=others) if (gate := shop.gate_at(name)) is not None:
            for i in (i for other in others if (i := shop.gate_at(other)) is not None):
                guard = _gate(guard, i, gives_way_to=name)
            veto = _veto_open(shop, guard, gate, now)
            return (guard, veto) if veto else (_told_open(guard, gate, now), None)
        case _:
            return guard, None


def _nobody_gives_way_to(guard: Guard, gate: str) -> Guard:
    for i, seen in enumerate(guard.gates):
        if seen.gives_way_to == gate:
            guard = _gate(guard, GateAt(i), gives_way_to=None)
    return guard


def _told_open(guard: Guard, at: GateAt, now: float) -> Guard:
    seen = guard.gates[at]
    if seen.told is Position.OPEN:
        return _gate(guard, at, again_at=now, live=False)
    # Told anew: what it said of being open is old, and proof no sooner than its travel; of being shut, void.
    reported = None if seen.reported is Position.SHUT else seen.reported
    told = {"told": Position.OPEN, "told_at": now, "again_at": now, "reported": reported, "live": False}
    return _gate(guard, at, **told, travelled=False, left=False, gives_way_to=None)


def _told_shut(guard: Guard, at: GateAt, now: float) -> Guard:
    seen = guard.gates[at]
    if seen.told is Position.SHUT and (seen.left or seen.reported is not Position.OPEN):
        return _gate(guard, at, again_at=now)
    reported = None if seen.reported is Position.OPEN else seen.reported
    told = {"told": Position.SHUT, "told_at": now, "again_at": now, "reported": reported}
    return _gate(guard, at, **told, travelled=False, left=True, gives_way_to=None)


def _veto(rule: Rule, command: str, collector: str, gate: str | None = None, **facts: int | bool | None) -> Finding:
    return Finding(
        event=Happened.COMMAND_VETOED,
        rule=rule,
        gate=gate,
        collector=collector,
        facts=(("command", command), *facts.items()),
    )


def _veto_on(shop: Shop, guard: Guard, at: CollectorAt, now: float) -> Finding | None:
    collector, seen = shop.collectors[at], guard.fans[at]
    proven = len(_open_gates(shop, guard, at, now))
    if proven < collector.min_open:  # I1
        return _veto(Rule.MIN_OPEN, "on", collector.name, proven_open=proven, min_open=collector.min_open)
    if seen.latched:  # I5
        return _veto(Rule.STOP_CONTACT, "on", collector.name)
    if not seen.armed and not _is_on(seen):  # I5, I6
        return _veto(Rule.NOT_FRESH, "on", collector.name)
    if now < guard.no_start_before and not _is_on(seen):  # I5
        return _veto(Rule.STOP_UNREAD, "on", collector.name)
    if (guard.unheard or guard.old) and not _is_on(seen):  # I5, I6
        return _veto(Rule.STOPS_UNHEARD if guard.unheard else Rule.STANDSTILL, "on", collector.name)
    return None


def _veto_shut(shop: Shop, guard: Guard, at: GateAt, now: float) -> Finding | None:
    gate = shop.gates[at]
    home = shop.collector_at(gate.collector)
    if home is None or not _may_turn(shop, guard, home, now):
        return None
    left = sum(1 for i in _open_gates(shop, guard, home, now) if i != at)
    least = shop.collectors[home].min_open
    if left < least:  # I2
        return _veto(Rule.MIN_OPEN, "shut", gate.collector, gate.name, proven_open=left, min_open=least)
    for i in shop.gates_of(home) if _proven(shop, guard, at, now) else ():  # I3
        if i != at and _on_its_way(shop, guard, i, now) and not _gives_way(shop, guard, i):
            return _veto(Rule.MAKE_BEFORE_BREAK, "shut", gate.collector, gate.name)
    return None


def _veto_open(shop: Shop, guard: Guard, at: GateAt, now: float) -> Finding | None:
    gate = shop.gates[at]
    home = shop.collector_at(gate.collector)
    if home is None or (limit := shop.collectors[home].max_open) is None:
        return None
    if guard.gates[at].told is Position.OPEN:
        return None  # told again, it stands no more open than before
    if len(_open_gates(shop, guard, home, now)) < shop.collectors[home].min_open and _may_turn(shop, guard, home, now):
        return None  # air for the fan comes before the limit (I4)
    standing = sum(
        1
        for i in shop.gates_of(home)
        if i != at
        and guard.gates[i].told is Position.OPEN
        and not (guard.gates[i].reported is Position.SHUT and guard.gates[i].live)  # shut by hand
        and guard.gates[i].gives_way_to != gate.name
        and not _gives_way(shop, guard, i)
    )
    if standing >= limit:  # I7
        return _veto(Rule.MAX_OPEN, "open", gate.collector, gate.name, standing=standing, max_open=limit)
    return None


def enforce(shop: Shop, guard: Guard, now: float) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
    """What must leave at once whatever the sequence thinks: off under a stop (I5), air and off for a fan (I4)."""
    extra: list[Command] = []
    findings: list[Finding] = []
    watching = now >= guard.watching_from
    for at, collector in zip(shop.each_collector, shop.collectors, strict=True):
        seen = guard.fans[at]
        proven = len(_open_gates(shop, guard, at, now))
        air = _air_for_found(shop, guard, at, now) if seen.adopting else proven
        starved = watching and _is_on(seen) and air < collector.min_open
        for i in _air(shop, guard, at, now) if starved else ():
            guard = _told_open(guard, i, now)
            extra.append(OpenGate(shop.gates[i].name))
            rule = Rule.FAN_AGAINST_SHUT_GATES
            findings.append(_veto(rule, "open", collector.name, shop.gates[i].name, forced=True, proven_open=proven))
        turns = seen.told_on is not False or (watching and _shown_on(seen) and not seen.off_told)
        if turns and (starved or seen.latched):
            rule = Rule.STOP_CONTACT if seen.latched else Rule.FAN_AGAINST_SHUT_GATES
            guard = _fan(guard, at, told_on=False, off_at=now, off_told=True)
            extra.append(CollectorOff(collector.name))
            findings.append(_veto(rule, "off", collector.name, forced=True, proven_open=proven))
    return guard, tuple(extra), tuple(findings)


def _air(shop: Shop, guard: Guard, fan: CollectorAt, now: float) -> list[GateAt]:
    """Gates still to be told open for a fan that turns: relief gates first, as many as `min_open` wants."""
    own = shop.gates_of(fan)
    ready = [i for i in own if _proven(shop, guard, i, now) or _on_its_way(shop, guard, i, now)]
    told = [i for i in own if guard.gates[i].told is Position.OPEN]
    free = [i for i in own if shop.gates[i].commanded and i not in ready and i not in told]
    free.sort(key=lambda i: not shop.gates[i].relief)
    return free[: max(0, shop.collectors[fan].min_open - len(ready))]
