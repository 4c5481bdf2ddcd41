"""Another shop under a state that goes on: what a changed config means for what is running. Nothing is switched by it.

States are carried over by name, with the instants at which they began, so that a run-on that is counting takes its new
length. What is new starts unknown, as at the daemon's start; a tool that is gone leaves its run-on behind as the
collector's grace. What would make a carried state a lie about the fan's air (a gate taken away, moved to another
collector, or commanded on another topic while the fan may turn) has to wait: `obstacles` says for what.

No edit ends a hold (I5). A stop contact that is mended, renamed or taken away leaves its collectors held until a reset,
which then asks the stops as they are now; whoever comes under an active one is held; a renamed collector stays what it
is; a held one cannot be taken away. A stop of which nothing is known yet delays starts until it can have spoken.
"""

from collections.abc import Iterator, Mapping
from math import inf, isfinite

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import collectors, detect, ends, holds, interlock
from gatehand_rules import state as st
from gatehand_rules.commands import ClearAlarm, RaiseAlarm
from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm, Fact, Happened, Rule, alarms_of
from gatehand_rules.gaps import devices, speaks_on_change
from gatehand_rules.phases import Cause, added
from gatehand_rules.shop import Collector, CollectorAt, Gate, Shop, StopAt, Tool
from gatehand_rules.step import Outcome, next_deadline
from gatehand_rules.timing import due

NAME_BEFORE = "{} (before)"
"""A collector that is gone and whose name another one has taken. No config can write such a name."""


class Rewired(Struct, frozen=True):
    """Names that stand for another device now: told or heard elsewhere. The rules know no topics; the caller says.

    Names are those of the new shop. `renamed`: collectors of the old shop that have another name in the new one, by the
    old. `stops`: each stop of the new shop that hears the very words of one of the old, and which; None: by its name.
    `buttons`: collectors whose reset button is another, so that a press that had begun is none. `bins`: those whose bin
    is watched by another signal, or by none; `online`: kind and name of what says so that it is there.
    """

    tools: frozenset[str] = frozenset()
    gates: frozenset[str] = frozenset()
    collectors: frozenset[str] = frozenset()
    buttons: frozenset[str] = frozenset()
    bins: frozenset[str] = frozenset()
    online: frozenset[tuple[str, str]] = frozenset()
    renamed: Mapping[str, str] = {}
    stops: Mapping[str, str] | None = None

    def stop_before(self, old: Shop, name: str) -> StopAt | None:
        """Index in the old shop of the stop that this one of the new shop was; None: nothing is known of it."""
        before = name if self.stops is None else self.stops.get(name)
        return None if before is None else old.stop_at(before)


def under_new_names(shop: Shop, names: Mapping[str, str]) -> Shop:
    """The same shop, its collectors under their new names: what is carried over by name then finds its own."""
    if not names:
        return shop
    taken = set(names.values())

    def now(name: str) -> str:
        return names.get(name) or (NAME_BEFORE.format(name) if name in taken else name)

    def all_now(collectors: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(now(name) for name in collectors)

    return replace(
        shop,
        tools=tuple(replace(one, collector=now(one.collector)) for one in shop.tools),
        gates=tuple(replace(one, collector=now(one.collector)) for one in shop.gates),
        collectors=tuple(replace(one, name=now(one.name)) for one in shop.collectors),
        stops=tuple(replace(one, collectors=all_now(one.collectors)) for one in shop.stops),
        circuits=tuple(replace(one, collectors=all_now(one.collectors)) for one in shop.circuits),
    )


def _renamed_alarms(
    shop: Shop, state: st.State, names: Mapping[str, str], now: float
) -> Iterator[tuple[Alarm, Alarm, Rule, dict[str, Fact]]]:
    """Each alarm of a renamed collector that is raised: as it was, as it is now, and what it was raised for.

    `shop` is the shop of before, in its own names.
    """
    for at, collector, seen in zip(shop.each_collector, shop.collectors, state.collectors, strict=True):
        name = names.get(collector.name)
        if name is None:
            continue
        why = seen.phase.why if isinstance(seen.phase, st.Held) else None
        facts: dict[str, Fact] = {
            "why": why,
            "then": collector.on_bin_full,
            "told": "on" if seen.answer is not None and seen.answer.on else "off",
            **collectors.shown_by(collector, seen, state.alarms, now),
            "proven_open": sum(1 for i in shop.gates_of(at) if isinstance(state.gates[i].move, st.GateOpen)),
            "min_open": collector.min_open,
        }
        for what, rule in ends.COLLECTOR_RULES.items():
            was = Alarm("collector", collector.name, what)
            if was in state.alarms:
                by_stop = what == "held" and any(stop.name == why for stop in shop.stops)
                yield was, Alarm("collector", name, what), Rule.STOP_CONTACT if by_stop else rule, facts


def obstacles(old: Shop, new: Shop, state: st.State, now: float, rewired: Rewired | None = None) -> tuple[str, ...]:
    """Why `new` cannot be taken now, each as a clause; empty when it can. They pass when the fans stand still."""
    rewired = rewired or Rewired()
    old = under_new_names(old, rewired.renamed)
    found: list[str] = []
    for at, collector in zip(old.each_collector, old.collectors, strict=True):
        seen, place = state.collectors[at], new.collector_at(collector.name)
        after = None if place is None else new.collectors[place]
        if after is None and collectors.is_held(seen):
            found.append(f"the collector {collector.name} is removed while it is on hold: reset first")
            continue
        if not (collectors.may_turn(seen, now) or isinstance(seen.phase, st.Opening)):
            continue
        if after is None or collector.name in rewired.collectors:
            what = "removed" if after is None else "given other topics"
            found.append(f"the collector {collector.name} is {what} while its fan may turn")
            continue
        found.extend(_gate_obstacles(old, new, rewired, at))
        found.extend(_limit_obstacles(old, at, after, state))
    return tuple(found)


def _limit_obstacles(old: Shop, at: CollectorAt, after: Collector, state: st.State) -> list[str]:
    """Limits on open gates that the present zone does not keep."""
    before = old.collectors[at]
    moves = [state.gates[i].move for i in old.gates_of(at)]
    proven = sum(1 for move in moves if isinstance(move, st.GateOpen))
    standing = sum(1 for move in moves if isinstance(move, (st.GateOpen, st.GateOpening)))
    found = []
    if after.min_open > before.min_open and proven < after.min_open:
        found.append(f"min_open of {before.name} rises to {after.min_open} while {proven} are proven open")
    if after.max_open is not None and after.max_open != before.max_open and standing > after.max_open:
        found.append(f"max_open of {before.name} falls to {after.max_open} while {standing} gates stand open")
    return [f"{text} and its fan may turn" for text in found]


def _gate_obstacles(old: Shop, new: Shop, rewired: Rewired, at: CollectorAt) -> list[str]:
    found = []
    for gate in (old.gates[i] for i in old.gates_of(at)):
        place = new.gate_at(gate.name)
        after = None if place is None else new.gates[place]
        if after is None:
            what = "removed"
        elif after.collector != gate.collector:
            what = f"moved to the collector {after.collector}"
        elif gate.name in rewired.gates or after.reports != gate.reports:
            what = "given other topics"
        elif after.commanded != gate.commanded:
            what = "told otherwise"
        else:
            continue
        found.append(f"the gate {gate.name} is {what} while the fan of {gate.collector} may turn")
    return found


def adopt_shop(old: Shop, new: Shop, state: st.State, now: float, rewired: Rewired | None = None) -> Outcome:
    """The state under `new`, at `now` (monotonic seconds). Call it only when `obstacles` finds none.

    The only commands are alarms that end with their subject, and "off" for a collector that is new, as at a daemon's
    start.
    """
    rewired = rewired or Rewired()
    moved = tuple(_renamed_alarms(old, state, rewired.renamed, now))
    old = under_new_names(old, rewired.renamed)
    unread = [stop.name for stop in new.stops if rewired.stop_before(old, stop.name) is None]
    no_start_before = max(state.no_start_before, due(now, new.timing.stop_unread)) if unread else state.no_start_before
    for at, gate in zip(old.each_gate, old.gates, strict=True):
        after = new.gate_at(gate.name)
        if after is not None and new.gates[after].travel != gate.travel:
            state = replace(state, guard=interlock.note_travelled(old, state.guard, at, now))
    tools = tuple(_carry_tool(old, tool, state, now, rewired) for tool in new.tools)
    gates = tuple(_carry_gate(old, gate, state, rewired) for gate in new.gates)
    fans = tuple(_carry_fan(old, new, each, state, now, rewired=rewired) for each in new.collectors)
    stops = tuple(_stop_before(old, state.stops, stop.name, rewired) for stop in new.stops)
    known = alarms_of(new) - _unlearnt(old, new, rewired)
    gone = (state.alarms - known) | {was for was, *_ in moved}
    carried = replace(
        state,
        tools=tools,
        gates=gates,
        collectors=fans,
        stops=stops,
        guard=replace(_carry_guard(old, new, state, tools, rewired), no_start_before=no_start_before),
        alarms=state.alarms - gone,
        no_start_before=no_start_before,
        stops_lost_at=state.stops_lost_at if new.stops else None,
        doubts=tuple(_carry_doubt(old, tool, state, after) for tool, after in zip(new.tools, tools, strict=True)),
    )
    context = Context(new, carried, now)
    for alarm in sorted(gone):
        context.commands.append(ClearAlarm(alarm))
        context.say(Happened.ALARM_CLEARED, Rule.UNKNOWN_NAME, {"alarm": alarm.id})
    for _, alarm, rule, facts in moved:
        if alarm in known:
            context.alarms.add(alarm)
            context.commands.append(RaiseAlarm(alarm))
            context.say(Happened.ALARM_RAISED, rule, {"alarm": alarm.id, **facts}, collector=alarm.name)
    _meet_stops(context, unread)
    _carry_offline_stops(context, old, state, rewired)
    _tell_off_anew(context, old, rewired)
    _watch_no_more(context, rewired)
    ends.end_old(context)
    guard, passed, vetoes = interlock.judge(new, carried.guard, tuple(context.commands), now)
    adopted = context.state(guard)
    adopted = replace(adopted, wake_at=next_deadline(new, adopted))
    return Outcome(adopted, passed, (*context.findings, *vetoes))


def _meet_stops(context: Context, unread: list[str]) -> None:
    """The alarms of the stop contacts as they are now; what comes under an active one is held."""
    shop, before = context.shop, context.start
    for name in unread:  # what was not understood of it was said by another, or meant otherwise
        context.clear_alarm(Alarm("stop", name, "unclear"), Rule.STOP_CONTACT)
    for i, (stop, active) in enumerate(zip(shop.stops, before.stops, strict=True)):
        holds.show(context, stop.name, active=active)
        for home in shop.fans_of(StopAt(i)) if active else ():
            if not collectors.is_held(before.collectors[home]):
                holds.hold(context, home, stop.name, Rule.STOP_CONTACT)


def _carry_offline_stops(context: Context, old: Shop, state: st.State, rewired: Rewired) -> None:
    """The device of a stop that has another name now is as it was: nobody hears its retained word a second time."""
    for stop in context.shop.stops:
        at = rewired.stop_before(old, stop.name)
        before = stop.name if at is None else old.stops[at].name
        alarm = Alarm("stop", stop.name, "offline")
        if before == stop.name or ("stop", stop.name) in rewired.online:
            continue
        if Alarm("stop", before, "offline") not in state.alarms:
            context.clear_alarm(alarm, Rule.OFFLINE)
        elif stop.tells_online:
            context.raise_alarm(alarm, Rule.OFFLINE)


def _tell_off_anew(context: Context, old: Shop, rewired: Rewired) -> None:
    """Collectors that nobody knew before: switched off, so that from here on it is known how they stand."""
    before = context.start
    anew: list[CollectorAt] = []
    for at, collector in zip(context.shop.each_collector, context.shop.collectors, strict=True):
        just_held = collectors.is_held(context.collectors[at]) and not collectors.is_held(before.collectors[at])
        if not just_held and (old.collector_at(collector.name) is None or collector.name in rewired.collectors):
            anew.append(at)
    for at in anew:  # what another switch or motor did not answer is nothing that this one owes
        context.set_collector(at, answer=None)
        context.clear_alarm(Alarm("collector", context.shop.collectors[at].name, "no_answer"), Rule.ANSWER)
    for at in anew if before.adopted and before.connected else ():
        held = collectors.is_held(before.collectors[at])
        collectors.tell_off(context, at, Rule.ADOPTION, None if held else Cause.NOT_CONTINUED)


def _carry_tool(old: Shop, tool: Tool, state: st.State, now: float, rewired: Rewired) -> st.ToolState:
    at = old.tool_at(tool.name)
    if at is None or tool.name in rewired.tools or old.tools[at].collector != tool.collector:
        return st.ToolUnknown(None, now)
    if old.tools[at].measure is not tool.measure:  # what was read says nothing in another unit
        return st.ToolUnknown(None, now)
    seen = state.tools[at]
    if isinstance(seen, st.ToolSilent) and _silent_no_more(old.tools[at], tool, seen, state, now):
        seen = seen.was
    if _same_thresholds(old.tools[at], tool):
        return seen
    was = st.speaking(seen)
    if isinstance(was, (st.ToolIdle, st.ToolRunOn)):
        was = _judged_anew(was, tool)
    return replace(seen, was=was) if isinstance(seen, st.ToolSilent) else was


def _silent_no_more(before: Tool, after: Tool, seen: st.ToolSilent, state: st.State, now: float) -> bool:
    """At rest, and by the new `silent_after` it would not have been taken for silent."""
    if after.silent_after == before.silent_after or Alarm("tool", after.name, "offline") in state.alarms:
        return False
    late = after.silent_after > 0 and now >= due(seen.was.heard_at, after.silent_after)
    return detect.is_at_rest(seen.was) and not late


def _carry_doubt(old: Shop, tool: Tool, state: st.State, after: st.ToolState) -> st.Doubt | None:
    """A tool that has to be learnt anew is doubted as after a silence: what it says first may be from before."""
    at = old.tool_at(tool.name)
    if at is None or (isinstance(after, st.ToolUnknown) and after is not state.tools[at]):
        return st.Doubt()
    return state.doubts[at] if state.doubts else None


def _eyes(collector: Collector) -> tuple[object, ...]:
    """By what the fan is seen."""
    return collector.reports, collector.senses_motor, collector.measure if collector.senses_motor else None


def _same_motor_sensor(before: Collector, after: Collector) -> bool:
    """What it said holds on. One that is new, as far as the rules know, has said nothing yet."""
    return after.senses_motor and (not before.senses_motor or before.measure is after.measure)


def _same_thresholds(before: Tool, after: Tool) -> bool:
    return (before.start_at, before.stop_at) == (after.start_at, after.stop_at)


def _judged_anew(was: st.ToolIdle | st.ToolRunOn, tool: Tool) -> st.ToolSpeaking:
    """By the new thresholds it may have been drawing all along: no start of it was seen (I5)."""
    if was.value is None or was.value < tool.stop_at:
        return replace(was, rise=None)
    if isinstance(was, st.ToolRunOn):
        return st.ToolRunning(was.value, was.heard_at, was.since, was.freshness)
    return st.ToolUnknown(was.value, was.heard_at)


def _carry_gate(old: Shop, gate: Gate, state: st.State, rewired: Rewired) -> st.GateState:
    at = old.gate_at(gate.name)
    return st.GateState() if at is None or _other_gate(old.gates[at], gate, rewired) else state.gates[at]


def _unlearnt(old: Shop, new: Shop, rewired: Rewired) -> set[Alarm]:
    """Alarms about gates whose position has to be learnt anew: what they were about is forgotten."""
    names = [
        gate.name
        for gate in new.gates
        if (at := old.gate_at(gate.name)) is not None and _other_gate(old.gates[at], gate, rewired)
    ]
    return {Alarm("gate", name, what) for name in names for what in ("fault", "max_open", "not_served")}


def _other_gate(before: Gate, after: Gate, rewired: Rewired) -> bool:
    """Its position has to be learnt anew."""
    moved = before.collector != after.collector or before.commanded != after.commanded
    return moved or before.reports != after.reports or after.name in rewired.gates


def _carry_fan(
    old: Shop, new: Shop, collector: Collector, state: st.State, now: float, *, rewired: Rewired
) -> st.CollectorState:
    at = old.collector_at(collector.name)
    if at is None:
        return added()
    seen = state.collectors[at]
    reported = seen.reported_on if collector.reports else None
    before = old.collectors[at]
    same_eyes = _eyes(before) == _eyes(collector)
    drawing = seen.drawing if _same_motor_sensor(before, collector) else None
    known = collector.reports or collector.senses_motor
    another_button = collector.name in rewired.buttons  # what was heard of the one before is no part of a press
    last = None if seen.last_gate is None else new.gate_at(old.gates[seen.last_gate].name)
    left = [i for i in old.tools_of(at) if _left_behind(new, old.tools[i], state.tools[i])]
    grace = max((due(now, old.tools[i].run_on) for i in left), default=-inf)
    # A fan that was only seen to turn, by what no longer looks, coasts down from now on.
    blinded = seen.seen_on and not (reported is True or drawing is True) and not seen.on_phase
    still_at = due(now, collector.coast_down) if blinded else _still_at(old, at, collector, state, now)
    return replace(
        seen,
        reported_on=reported,
        drawing=drawing,
        motor=None if drawing is None else seen.motor,
        answer=seen.answer if known and same_eyes else None,
        confirmed=seen.confirmed and same_eyes,
        contrary=seen.contrary if same_eyes else None,
        still_at=still_at,
        last_gate=last,
        grace_until=max(seen.grace_until, grace) if seen.on_phase else seen.grace_until,
        bin_full=seen.bin_full and collector.tells_bin and collector.name not in rewired.bins,
        reset=replace(seen.reset, released=False, pressed_at=None) if another_button else seen.reset,
    )


def _still_at(old: Shop, at: CollectorAt, collector: Collector, state: st.State, now: float) -> float:
    """When the fan stands still by its new coast-down, never sooner than the interlock would have it."""
    still_at = state.collectors[at].still_at
    if isfinite(still_at):
        still_at = due(still_at, collector.coast_down - old.collectors[at].coast_down)
    guarded = due(state.guard.fans[at].off_at, collector.coast_down) if isfinite(state.guard.fans[at].off_at) else -inf
    return max(still_at, guarded) if guarded > now else still_at


def _left_behind(new: Shop, tool: Tool, seen: st.ToolState) -> bool:
    """A tool that had the fan and is gone: its run-on is kept for it."""
    at = new.tool_at(tool.name)
    gone = at is None or new.tools[at].collector != tool.collector
    was = seen.was if isinstance(seen, st.ToolSilent) and not seen.let_go else seen
    return gone and isinstance(was, (st.ToolRunning, st.ToolRunOn))


def _stop_before(old: Shop, stops: tuple[bool, ...], name: str, rewired: Rewired) -> bool:
    """Active, as far as is known: of one that is new or mended nothing is, and its own word counts from here on."""
    at = rewired.stop_before(old, name)
    return False if at is None else stops[at]


def _carry_guard(old: Shop, new: Shop, state: st.State, tools: tuple[st.ToolState, ...], rewired: Rewired) -> st.Guard:
    guard = state.guard
    stops = tuple(_stop_before(old, guard.stops, stop.name, rewired) for stop in new.stops)

    def gate(after: Gate) -> st.GateSeen:
        at = old.gate_at(after.name)
        return st.GateSeen() if at is None or _other_gate(old.gates[at], after, rewired) else guard.gates[at]

    def seen_fan(after: Collector) -> st.FanSeen:
        at = old.collector_at(after.name)
        stopped = any(on and after.name in stop.collectors for stop, on in zip(new.stops, stops, strict=True))
        seen = st.FanSeen() if at is None else guard.fans[at]
        seen = replace(seen, latched=True, armed=False) if stopped and not seen.latched else seen
        if after.name in rewired.buttons:
            seen = replace(seen, reset_up=False, reset_down_at=None)
        if at is None:
            return seen
        return replace(
            seen,
            reported_on=seen.reported_on if after.reports else None,
            drawing=seen.drawing if _same_motor_sensor(old.collectors[at], after) else None,
        )

    def low(tool: Tool, after: st.ToolState) -> bool:
        at = old.tool_at(tool.name)
        if at is None or isinstance(after, st.ToolUnknown):
            return False
        was = st.speaking(after)
        if _same_thresholds(old.tools[at], tool) or was.value is None:
            return guard.low[at]
        # Idle by the new thresholds, its next rise is a start to the sequence: so it must be to the interlock.
        return was.value < tool.stop_at and (guard.low[at] or isinstance(was, (st.ToolIdle, st.ToolRunOn)))

    return replace(
        guard,
        gates=tuple(gate(each) for each in new.gates),
        fans=tuple(seen_fan(each) for each in new.collectors),
        low=tuple(low(tool, after) for tool, after in zip(new.tools, tools, strict=True)),
        stops=stops,
        unheard=guard.unheard and bool(new.stops),
    )


def _watch_no_more(context: Context, rewired: Rewired) -> None:
    """Devices whose own word about being there is not watched any more, or is another one, count as there."""
    shop = context.shop
    for kind, all_ in devices(shop).items() if context.alarms else ():
        for one in all_:
            alarm = Alarm(kind, one.name, "offline")
            if alarm in context.alarms and (not one.tells_online or (kind, one.name) in rewired.online):
                context.clear_alarm(alarm, Rule.OFFLINE)
                if kind == "tool" and (at := shop.tool_at(one.name)) is not None:
                    speaks_on_change(context, at)
