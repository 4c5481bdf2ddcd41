"""Who is served first, who within `max_open`, and which gates stand open for it."""

from dataclasses import replace
from typing import Any

import pytest
from unit_bench import Bench, commands, events, fan, gate, hose, line, ready, running, shop, tool

from gatehand_rules import Shop, demand, zone
from gatehand_rules import events as ev
from gatehand_rules.demand import Demand, Kind
from gatehand_rules.draft import Draft
from gatehand_rules.state import (
    CollectorState,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateShutting,
    GateState,
    GateUnknown,
    Hand,
    Running,
    Standing,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.words import Position

NAMES = ("saw", "jointer", "sander", "lathe")
FRESH, STALE = Standing.FRESH, Standing.STALE
SERVED = CollectorState(phase=Running(), reported_on=True)


def four(**collector: Any) -> Shop:  # noqa: ANN401 - the fields of a collector
    """Four tools with a gate each at one collector, a fifth at another."""
    return shop(
        *(tool(name) for name in NAMES),
        tool("far", collector="other"),
        *(gate(name) for name in NAMES),
        gate("far", collector="other"),
        fan(**collector),
        fan("other"),
    )


def drawn(
    place: Shop,
    *states: ToolState,
    moves: tuple[GateMove, ...] = (),
    hands: tuple[Hand | None, ...] = (),
    collector: CollectorState = SERVED,
) -> Draft:
    """A draft at 100 s: these tools, then idle ones; these gates, then shut ones."""
    bench = ready(place)
    tools = tuple(states) + tuple(ToolIdle(0.0, 90.0) for _ in place.tools[len(states) :])
    gates = tuple(
        GateState(
            move=moves[at] if at < len(moves) else GateShut(),
            hand=hands[at] if at < len(hands) else None,
        )
        for at in range(len(place.gates))
    )
    bench.put(tools=tools, gates=gates, collectors=(collector, *bench.state.collectors[1:]))
    return Draft(place, bench.state, 100.0)


def order(draft: Draft, at: int = 0) -> list[str]:
    return [one.tool or f"by hand: {one.gate}" for one in demand.of_collector(draft, at)]


def cutting(since: float, standing: Standing = FRESH) -> ToolRunning:
    return ToolRunning(5.0, 99.0, since, standing)


def running_on(since: float, standing: Standing = FRESH) -> ToolRunOn:
    return ToolRunOn(0.0, 99.0, since, standing)


# --- the order


def test_cutting_comes_before_hands_and_hands_before_run_on() -> None:
    draft = drawn(four(), running_on(10.0), cutting(50.0), hands=(None, None, Hand(20.0)))
    assert order(draft) == ["jointer", "by hand: sander", "saw"]


def test_the_oldest_start_comes_first_within_its_kind() -> None:
    assert order(drawn(four(), cutting(60.0), cutting(50.0), cutting(55.0))) == ["jointer", "sander", "saw"]
    draft = drawn(four(), hands=(Hand(60.0), Hand(50.0)))
    assert order(draft) == ["by hand: jointer", "by hand: saw"]


def test_a_demand_that_may_start_nothing_and_has_no_air_comes_after_its_kind() -> None:
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0))) == ["jointer", "saw"]
    air = (GateOpen(1.0),)
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=air)) == ["saw", "jointer"]
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=(GateOpening(99.0, 99.0),)))[0] == "saw"
    off = CollectorState()
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=air, collector=off)) == ["jointer", "saw"]
    assert order(drawn(four(), cutting(10.0, STALE), running_on(5.0))) == ["saw", "jointer"]
    draft = drawn(four(), hands=(Hand(10.0, kept=True), Hand(50.0)))
    assert order(draft) == ["by hand: jointer", "by hand: saw"]


def test_each_collector_has_its_own_demands() -> None:
    draft = drawn(four(), cutting(50.0))
    draft.tools[4] = cutting(10.0)
    draft.gates[4] = replace(draft.gates[4], hand=Hand(20.0))
    assert order(draft) == ["saw"]
    assert order(draft, 1) == ["far", "by hand: far"]


@pytest.mark.parametrize(
    ("state", "kind", "since", "may_start"),
    [
        (cutting(50.0), Kind.CUT, 50.0, True),
        (cutting(50.0, Standing.UNCONFIRMED), Kind.CUT, 50.0, False),
        (cutting(50.0, STALE), Kind.CUT, 50.0, False),
        (running_on(50.0), Kind.RUN_ON, 50.0, True),
        (running_on(50.0, STALE), Kind.RUN_ON, 50.0, False),
        (ToolSilent(cutting(50.0), 80.0), Kind.RUN_ON, 80.0, False),
        (ToolSilent(running_on(50.0), 80.0), Kind.RUN_ON, 50.0, False),
        (ToolSilent(cutting(50.0), 80.0, let_go=True), None, 0.0, False),
        (ToolSilent(ToolIdle(0.0, 50.0), 80.0), None, 0.0, False),
        (ToolIdle(0.0, 50.0), None, 0.0, False),
        (ToolMuted(5.0, 50.0), None, 0.0, False),
        (ToolUnknown(2.5, 50.0), None, 0.0, False),
    ],
)
def test_what_each_state_of_a_tool_asks_for(
    state: ToolState, kind: Kind | None, since: float, *, may_start: bool
) -> None:
    wanted = [] if kind is None else [Demand(kind, since, "saw", None, (0,), (), may_start=may_start)]
    assert demand.of_collector(drawn(four(), state), 0) == wanted


def test_a_hand_start_asks_for_its_gate() -> None:
    draft = drawn(four(), hands=(None, Hand(50.0), Hand(60.0, kept=True)))
    assert demand.of_collector(draft, 0) == [
        Demand(Kind.HAND, 50.0, None, "jointer", (1,), may_start=True),
        Demand(Kind.HAND, 60.0, None, "sander", (2,), may_start=False),
    ]
    assert [one.label for one in demand.of_collector(draft, 0)] == ["gate_jointer", "gate_sander"]


# --- max_open


def granted(draft: Draft) -> list[str]:
    return [one.tool or str(one.gate) for one in demand.grant(draft, 0, demand.of_collector(draft, 0))]


@pytest.mark.parametrize(("limit", "served"), [(1, 1), (2, 2), (3, 3), (4, 4)])
def test_as_many_are_served_as_gates_may_stand_open(limit: int, served: int) -> None:
    draft = drawn(four(max_open=limit), *(cutting(50.0 + at) for at in range(4)))
    assert granted(draft) == list(NAMES[:served])
    assert [one.alarm for one in draft.commands if hasattr(one, "alarm")] == [
        f"tool_{name}_max_open" for name in NAMES[served:]
    ]


def test_a_refusal_names_the_limit_and_the_gates_that_take_it_once() -> None:
    draft = drawn(four(max_open=2), *(cutting(50.0 + at) for at in range(3)))
    granted(draft)
    assert [line(one) for one in draft.findings] == [
        "alarm_raised/max_open tool=sander alarm=tool_sander_max_open max_open=2 taken=saw, jointer",
        "start_refused/max_open tool=sander collector=main max_open=2 taken=saw, jointer",
    ]
    granted(draft)
    assert len(draft.findings) == 2


def test_a_refused_hand_start_is_named_by_its_gate() -> None:
    draft = drawn(four(max_open=1), cutting(50.0), hands=(None, Hand(60.0)))
    granted(draft)
    assert [line(one) for one in draft.findings] == [
        "alarm_raised/max_open gate=jointer alarm=gate_jointer_max_open max_open=1 taken=saw",
        "start_refused/max_open gate=jointer collector=main max_open=1 taken=saw",
    ]


def test_run_on_gives_way_without_a_word() -> None:
    draft = drawn(four(max_open=1), running_on(50.0), cutting(90.0))
    assert granted(draft) == ["jointer"]
    assert draft.findings == []


def test_a_refusal_ends_when_there_is_room() -> None:
    bench = running(four(max_open=1))
    assert "raise tool_jointer_max_open" in commands(bench.amps(60.0, 5.0, "jointer"))
    said = bench.amps(65.0, 0.0)
    assert "clear tool_jointer_max_open" in commands(said)
    assert "alarm_cleared/max_open tool=jointer alarm=tool_jointer_max_open" in said
    assert "open jointer instead of saw" in commands(said)


def test_a_refusal_ends_with_its_demand() -> None:
    bench = running(four(max_open=1))
    bench.amps(60.0, 5.0, "jointer")
    assert "alarm_cleared/no_demand tool=jointer alarm=tool_jointer_max_open" in bench.amps(61.0, 0.0, "jointer")


def test_tools_at_one_gate_share_its_room() -> None:
    place = shop(tool("saw"), tool("jointer", "saw"), gate("saw"), gate("sander"), fan(max_open=1))
    assert granted(drawn(place, cutting(50.0), cutting(51.0))) == ["saw", "jointer"]


def test_a_tool_of_two_gates_wants_room_for_both() -> None:
    place = shop(tool("wide", "a", "b"), tool("narrow", "c"), gate("a"), gate("b"), gate("c"), fan(max_open=2))
    assert granted(drawn(place, cutting(60.0), cutting(50.0))) == ["narrow"]
    assert granted(drawn(place, cutting(50.0), cutting(60.0))) == ["wide"]


def assisting(**collector: Any) -> Shop:  # noqa: ANN401 - the same
    return shop(
        tool("saw", assist=("sweep", "hood")),
        tool("jointer", assist=("hood", "saw")),
        gate("saw"),
        gate("jointer"),
        gate("sweep"),
        gate("hood"),
        fan(**collector),
    )


@pytest.mark.parametrize(
    ("limit", "first", "second"), [(1, (), ()), (2, (), ()), (3, (2,), ()), (4, (2, 3), ()), (9, (2, 3), ())]
)
def test_assist_gates_come_last_of_all_and_only_where_there_is_room(
    limit: int, first: tuple[int, ...], second: tuple[int, ...]
) -> None:
    draft = drawn(assisting(max_open=limit), cutting(50.0), cutting(60.0))
    served = demand.grant(draft, 0, demand.of_collector(draft, 0))
    assert served[0].assist == first
    assert all(one.assist == second for one in served[1:])


def test_one_tools_assist_gates_take_what_room_is_left() -> None:
    draft = drawn(assisting(max_open=2), cutting(50.0))
    assert [one.assist for one in demand.grant(draft, 0, demand.of_collector(draft, 0))] == [(2,)]
    draft = drawn(assisting(), cutting(50.0), cutting(60.0))
    assert [one.assist for one in demand.grant(draft, 0, demand.of_collector(draft, 0))] == [(2, 3), (3, 0)]


# --- whether a demand can be served


@pytest.mark.parametrize(
    ("move", "commanded", "may"),
    [
        (GateShut(), True, True),
        (GateShut(), False, False),
        (GateOpen(1.0), False, True),
        (GateUnknown(), True, True),
        (GateUnknown(), False, False),
        (GateOpening(1.0, 1.0), True, True),
        (GateShutting(1.0, 1.0), True, True),
        (GateFault(Position.OPEN, 1.0), True, False),
        (GateFault(Position.SHUT, 1.0), True, True),
        (GateFault(Position.SHUT, 1.0), False, False),
    ],
)
def test_whether_a_gate_is_worth_waiting_for(move: GateMove, commanded: bool, *, may: bool) -> None:
    place = shop(tool(), gate(commanded=commanded), fan())
    draft = drawn(place, cutting(50.0), moves=(move,))
    assert demand.may_open(draft, 0) is may
    assert demand.can_be_served(draft, demand.of_collector(draft, 0)[0]) is may


def test_one_gate_that_can_open_is_enough_and_none_at_all_too() -> None:
    place = shop(tool("wide", "a", "b"), gate("a"), gate("b"), fan())
    for moves, served in (
        ((GateFault(Position.OPEN, 1.0), GateShut()), True),
        ((GateFault(Position.OPEN, 1.0), GateFault(Position.OPEN, 1.0)), False),
    ):
        draft = drawn(place, cutting(50.0), moves=moves)
        assert demand.can_be_served(draft, demand.of_collector(draft, 0)[0]) is served
    draft = drawn(shop(hose(), fan(min_open=0)), cutting(50.0))
    assert demand.can_be_served(draft, demand.of_collector(draft, 0)[0])


# --- which gates


def wanted(draft: Draft) -> list[int]:
    return zone.wanted(draft, 0, demand.grant(draft, 0, demand.of_collector(draft, 0)))


def test_the_zone_is_the_demands_gates_then_their_assist_gates_each_once() -> None:
    draft = drawn(assisting(), cutting(50.0), cutting(60.0))
    assert wanted(draft) == [0, 1, 2, 3]


@pytest.mark.parametrize(
    ("min_open", "last_gate", "zone_of"),
    [
        (1, None, [1]),
        (2, None, [1, 2]),
        (2, 3, [1, 2]),
        (3, 3, [1, 2, 3]),
        (3, None, [1, 2, 0]),
        (4, None, [1, 2, 0, 3]),
    ],
)
def test_a_zone_too_small_for_the_fan_is_made_up_relief_gates_first_then_the_last_used(
    min_open: int, last_gate: int | None, zone_of: list[int]
) -> None:
    place = shop(
        tool("jointer"),
        gate("saw"),
        gate("jointer"),
        gate("sander", relief=True),
        gate("lathe"),
        gate("far", collector="other", relief=True),
        fan(min_open=min_open),
        fan("other"),
    )
    draft = drawn(place, cutting(50.0), collector=replace(SERVED, last_gate=last_gate))
    assert wanted(draft) == zone_of


def test_a_zone_is_made_up_within_max_open() -> None:
    place = shop(tool("saw"), gate("saw"), gate("a"), gate("b"), fan(min_open=2, max_open=2))
    assert wanted(drawn(place, cutting(50.0), moves=(GateFault(Position.OPEN, 1.0),))) == [0, 1]
    place = shop(tool("saw"), gate("saw"), gate("a"), gate("b"), fan(min_open=2))
    assert wanted(drawn(place, cutting(50.0), moves=(GateFault(Position.OPEN, 1.0),))) == [0, 1, 2]


def test_gates_that_cannot_open_make_nothing_up() -> None:
    place = shop(tool("saw"), gate("saw"), gate("a", commanded=False), gate("b"), fan(min_open=2))
    assert wanted(drawn(place, cutting(50.0))) == [0, 2]
    opened = drawn(place, cutting(50.0), moves=(GateShut(), GateOpen()))
    assert wanted(opened) == [0, 1]


def test_a_start_waits_for_the_gates_of_cuts_and_hands_and_of_run_on_that_may_start() -> None:
    draft = drawn(
        four(), cutting(50.0, STALE), running_on(50.0), running_on(60.0, STALE), hands=(None, None, None, Hand(9.0))
    )
    demands = demand.of_collector(draft, 0)
    assert sorted(zone.needed(demands)) == [0, 1, 3]
    assert zone.needed(demands + demands) == zone.needed(demands)


def test_assist_gates_are_not_waited_for() -> None:
    draft = drawn(assisting(), cutting(50.0))
    assert zone.needed(demand.of_collector(draft, 0)) == [0]


# --- the change of zones


def test_the_new_gate_is_proven_open_before_the_old_one_is_told_to_shut() -> None:
    bench = running(four())
    bench.amps(60.0, 0.0)
    assert bench.amps(61.0, 5.0, "jointer")[0] == "> open jointer"
    assert events(bench.tick(64.0)) == ["run_on_ended/run_on", "gate_commanded/retry"]
    assert bench.is_open(64.5, "jointer") == [
        "> shut saw",
        "gate_open/report gate=jointer collector=main took=3.5 travel=1 late_by=2.5",
        "gate_commanded/zone_change gate=saw collector=main to=shut travel=1",
    ]


def test_a_newcomer_names_the_gates_that_it_takes_the_place_of() -> None:
    bench = running(four(max_open=1))
    bench.amps(60.0, 0.0)
    said = bench.amps(61.0, 5.0, "jointer")
    assert said == [
        "> open jointer instead of saw",
        "tool_started/start_threshold tool=jointer collector=main amps=5 start_amps=3 start_after=0",
        "gate_commanded/zone_change gate=jointer collector=main to=open travel=1 instead_of=saw",
    ]


def test_a_new_gate_in_fault_leaves_the_old_one_open() -> None:
    bench = running(shop(tool("saw"), tool("jointer"), gate("saw"), gate("jointer", retries=0)))
    bench.amps(60.0, 5.0, "jointer")
    bench.until(62.0)
    bench.amps(63.0, 0.0)
    said = bench.until(67.5)
    assert "off main" in commands(said)
    assert "shut saw" not in commands(said)


@pytest.mark.parametrize(
    ("move", "shut"),
    [
        (GateUnknown(), True),
        (GateOpen(1.0), True),
        (GateOpening(1.0, 1.0), True),
        (GateFault(Position.OPEN, 1.0), True),
        (GateFault(Position.SHUT, 1.0), False),
        (GateShut(), False),
        (GateShutting(1.0, 1.0), False),
    ],
)
def test_what_is_not_wanted_and_not_shut_is_told_to_shut(move: GateMove, *, shut: bool) -> None:
    draft = drawn(four(), moves=(move, GateOpen(1.0)))
    zone.shut_others(draft, 0, [1])
    assert bool(draft.commands) is shut


def test_a_gate_in_fault_that_is_asked_for_is_not_told_to_shut() -> None:
    moves = (GateFault(Position.OPEN, 1.0), GateOpen(1.0), GateOpen(1.0))
    draft = drawn(four(), cutting(50.0), moves=moves)
    zone.shut_others(draft, 0, [1])
    assert [line(one) for one in draft.findings] == [
        "gate_commanded/zone_change gate=sander collector=main to=shut travel=1"
    ]


def test_others_are_shut_when_the_zone_is_ready_and_has_air() -> None:
    for moves, chosen, count in (
        ((GateOpen(1.0), GateOpening(99.0, 99.0)), [1], 0),
        ((GateOpen(1.0), GateFault(Position.OPEN, 1.0)), [1], 0),
        ((GateOpen(1.0), GateFault(Position.OPEN, 1.0), GateOpen(1.0)), [1, 2], 1),
        ((GateOpen(1.0), GateOpen(1.0)), [1], 1),
    ):
        draft = drawn(four(), moves=moves)
        zone.shut_others(draft, 0, chosen)
        assert len(draft.commands) == count


def test_gates_moved_by_hand_are_told_nothing() -> None:
    place = shop(tool("saw"), gate("saw", commanded=False), gate("a", commanded=False), gate("b"), fan())
    draft = drawn(place, cutting(50.0), moves=(GateShut(), GateOpen(), GateOpen()))
    zone.open_wanted(draft, 0, [0])
    assert draft.commands == []
    zone.shut_others(draft, 0, [2])
    assert draft.commands == []


# --- at rest


def rested(bench: Bench) -> list[str]:
    bench.amps(60.0, 0.0)
    bench.tick(64.0)
    bench.is_off(64.0)
    return commands(bench.tick(72.0))


def test_at_rest_the_gates_are_shut_or_left() -> None:
    assert rested(running(four())) == ["shut saw"]
    assert rested(running(four(rest="leave"))) == []


def test_left_at_rest_stand_no_more_than_max_open_the_last_used_among_them() -> None:
    for limit, last, kept in ((None, None, [0, 1, 2]), (2, None, [0, 1]), (2, 2, [2, 0]), (1, 1, [1])):
        place = shop(tool("saw"), gate("saw"), gate("a"), gate("b"), fan(rest="leave", max_open=limit))
        collector = CollectorState(last_gate=last)
        draft = drawn(place, moves=(GateOpen(), GateOpen(), GateOpen()), collector=collector)
        zone.rest(draft, 0)
        told = {str(one.gate) for one in draft.findings}
        assert told == {name for at, name in enumerate(("saw", "a", "b")) if at not in kept}


def test_left_at_rest_is_no_gate_of_unknown_position_that_cannot_say() -> None:
    place = shop(tool("saw"), gate("saw", reports=False), gate("a"), gate("b", reports=False), fan(rest="leave"))
    draft = drawn(place, moves=(GateUnknown(), GateUnknown(), GateOpen(1.0)), collector=CollectorState())
    zone.rest(draft, 0)
    assert [line(one) for one in draft.findings] == ["gate_commanded/rest gate=saw collector=main to=shut travel=1"]


def test_a_hand_start_and_a_tool_may_share_a_gate() -> None:
    bench = running(four())
    bench.tell(ev.HandAsked("saw", on=True), 60.0)
    bench.amps(61.0, 0.0)
    assert bench.until(100.0)[-1:] == ["run_on_ended/run_on tool=saw collector=main run_on=4"]


def test_gates_told_open_in_vain_take_their_room_too() -> None:
    place = four(min_open=2, max_open=2)
    vain = (GateShut(), GateFault(Position.OPEN, 1.0))
    draft = drawn(place, cutting(50.0), cutting(60.0), moves=vain)
    served = demand.of_collector(draft, 0)[:1]
    assert zone.wanted(draft, 0, served) == [0]
    draft = drawn(four(min_open=2, max_open=3), cutting(50.0), cutting(60.0), moves=vain)
    assert zone.wanted(draft, 0, served) == [0, 2]
    draft = drawn(place, cutting(50.0), moves=vain)  # nobody asks for it: it is told to shut, and takes no room
    assert zone.wanted(draft, 0, served) == [0, 2]


def test_a_gate_that_a_hand_has_opened_is_not_told_open_in_vain() -> None:
    place = shop(
        tool("saw"),
        tool("jointer"),
        gate("saw"),
        gate("jointer"),
        gate("by hand", commanded=False),
        fan(min_open=2, max_open=3),
    )
    moves = (GateShut(), GateFault(Position.OPEN, 1.0), GateOpen())
    draft = drawn(place, cutting(50.0), cutting(60.0), moves=moves)
    assert zone.wanted(draft, 0, demand.of_collector(draft, 0)[:1]) == [0, 2]


def test_spare_are_only_the_collectors_own_gates_open_ones_first() -> None:
    draft = drawn(four(), moves=(GateShut(), GateShut(), GateOpen(1.0)))
    assert zone.spare(draft, 0, (4, 3)) == [2, 3, 0, 1]


def test_gates_that_carry_no_air_are_shut_first() -> None:
    draft = drawn(four(), moves=(GateOpen(1.0), GateOpening(99.0, 99.0), GateOpen(1.0)))
    zone.shut_others(draft, 0, [2])
    assert [one.gate for one in draft.findings] == ["jointer", "saw"]


def test_a_tool_that_asks_for_nothing_hides_no_tool_after_it() -> None:
    assert order(drawn(four(), ToolMuted(5.0, 90.0), cutting(50.0))) == ["jointer"]
    draft = drawn(four(), hands=(None, Hand(50.0)))
    assert order(draft) == ["by hand: jointer"]


def test_a_hand_starts_refusal_that_ends_names_its_gate() -> None:
    bench = running(four(max_open=1))
    bench.tell(ev.HandAsked("jointer", on=True), 60.0)
    assert "alarm_cleared/max_open gate=jointer alarm=gate_jointer_max_open" in bench.amps(65.0, 0.0)
