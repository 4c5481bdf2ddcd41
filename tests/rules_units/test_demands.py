"""Who is served first, who within `max_open`, and who can be served at all."""

from math import inf
from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import commands, fan, gate, hose, line, running, shop, tool
from zone_bench import NAMES, STALE, assisting, cutting, drawn, four, order, running_on

from gatehand_rules import demand
from gatehand_rules import events as ev
from gatehand_rules.commands import RaiseAlarm
from gatehand_rules.context import Context
from gatehand_rules.demand import Demand, DemandKind
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import CollectorAt, GateAt, ToolAt
from gatehand_rules.state import (
    CollectorState,
    Freshness,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateShutting,
    GateUnknown,
    Hand,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolSilent,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.words import Position

MAIN = CollectorAt(0)

# --- the order


def test_cutting_comes_before_hands_and_hands_before_run_on() -> None:
    context = drawn(four(), running_on(10.0), cutting(50.0), hands=(None, None, Hand(20.0)))
    assert order(context) == ["jointer", "by hand: sander", "saw"]


def test_the_oldest_start_comes_first_within_its_kind() -> None:
    assert order(drawn(four(), cutting(60.0), cutting(50.0), cutting(55.0))) == ["jointer", "sander", "saw"]
    context = drawn(four(), hands=(Hand(60.0), Hand(50.0)))
    assert order(context) == ["by hand: jointer", "by hand: saw"]


def test_the_newest_stop_comes_first_among_run_ons_then_the_order_of_the_config() -> None:
    assert order(drawn(four(), running_on(97.0), running_on(99.0), running_on(98.0))) == ["jointer", "sander", "saw"]
    assert order(drawn(four(), running_on(98.0), running_on(97.0), running_on(98.0))) == ["saw", "sander", "jointer"]
    assert order(drawn(four(), running_on(97.0), running_on(99.0, STALE))) == ["saw", "jointer"]


def test_a_demand_that_may_start_nothing_and_has_no_air_comes_after_its_kind() -> None:
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0))) == ["jointer", "saw"]
    air = (GateOpen(1.0),)
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=air)) == ["saw", "jointer"]
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=(GateOpening(99.0, 99.0),)))[0] == "saw"
    off = CollectorState()
    assert order(drawn(four(), cutting(10.0, STALE), cutting(50.0), moves=air, collector=off)) == ["jointer", "saw"]
    assert order(drawn(four(), cutting(10.0, STALE), running_on(5.0))) == ["saw", "jointer"]
    context = drawn(four(), hands=(Hand(10.0, kept=True), Hand(50.0)))
    assert order(context) == ["by hand: jointer", "by hand: saw"]


def test_each_collector_has_its_own_demands() -> None:
    context = drawn(four(), cutting(50.0))
    context.tools[4] = cutting(10.0)
    context.gates[4] = replace(context.gates[4], hand=Hand(20.0))
    assert order(context) == ["saw"]
    assert order(context, 1) == ["far", "by hand: far"]


@pytest.mark.parametrize(
    ("state", "kind", "since", "may_start"),
    [
        (cutting(50.0), DemandKind.CUT, 50.0, True),
        (cutting(50.0, Freshness.UNCONFIRMED), DemandKind.CUT, 50.0, False),
        (cutting(50.0, STALE), DemandKind.CUT, 50.0, False),
        (running_on(50.0), DemandKind.RUN_ON, 50.0, True),
        (running_on(50.0, STALE), DemandKind.RUN_ON, 50.0, False),
        (ToolSilent(cutting(50.0), 80.0), DemandKind.RUN_ON, 80.0, False),
        (ToolSilent(running_on(50.0), 80.0), DemandKind.RUN_ON, 50.0, False),
        (ToolSilent(cutting(50.0), 80.0, let_go=True), None, 0.0, False),
        (ToolSilent(ToolIdle(0.0, 50.0), 80.0), None, 0.0, False),
        (ToolIdle(0.0, 50.0), None, 0.0, False),
        (ToolMuted(5.0, 50.0), None, 0.0, False),
        (ToolUnknown(2.5, 50.0), None, 0.0, False),
    ],
)
def test_what_each_state_of_a_tool_asks_for(
    state: ToolState, kind: DemandKind | None, since: float, *, may_start: bool
) -> None:
    doubt = isinstance(state, ToolRunning) and state.freshness is Freshness.UNCONFIRMED
    demanded = () if kind is None else (kind,)
    ends = inf if kind is DemandKind.CUT else since + 4.0
    told: dict[str, Any] = {"gates": (GateAt(0),), "ends": ends, "may_start": may_start, "unconfirmed": doubt}
    wanted = [Demand(kind=one, since=since, name="saw", tool=ToolAt(0), **told) for one in demanded]
    assert demand.of_collector(drawn(four(), state), MAIN) == wanted


def test_a_hand_start_asks_for_its_gate() -> None:
    context = drawn(four(), hands=(None, Hand(50.0), Hand(60.0, kept=True)))
    assert demand.of_collector(context, MAIN) == [
        Demand(kind=DemandKind.HAND, since=50.0, name="jointer", gates=(GateAt(1),), ends=1850.0, may_start=True),
        Demand(kind=DemandKind.HAND, since=60.0, name="sander", gates=(GateAt(2),), ends=1860.0, may_start=False),
    ]
    assert [one.label for one in demand.of_collector(context, MAIN)] == [
        ("gate", "jointer"),
        ("gate", "sander"),
    ]


# --- max_open


def granted(context: Context) -> list[str]:
    return [one.name for one in demand.grant(context, MAIN)]


@pytest.mark.parametrize(("limit", "served"), [(1, 1), (2, 2), (3, 3), (4, 4)])
def test_as_many_are_served_as_gates_may_stand_open(limit: int, served: int) -> None:
    context = drawn(four(max_open=limit), *(cutting(50.0 + at) for at in range(4)))
    assert granted(context) == list(NAMES[:served])
    refused = [Alarm("tool", name, "max_open") for name in NAMES[served:]]
    assert context.commands == [RaiseAlarm(alarm) for alarm in refused]


@pytest.mark.parametrize(
    ("move", "served"),
    [
        (GateShut(), False),
        (GateShutting(99.9, 99.9), False),
        (GateUnknown(), False),
        (GateOpening(99.9, 99.9), True),
        (GateOpen(50.0), True),
        (GateFault(Position.OPEN, 50.0), True),
        (GateFault(Position.SHUT, 50.0), True),
    ],
)
@pytest.mark.parametrize("limit", [1, None])
def test_a_run_on_that_ends_before_its_gate_would_be_open_gets_nothing(
    move: GateMove, limit: int | None, *, served: bool
) -> None:
    """The run-on is 4 s, the gate's travel 1 s: at the end of the travel the run-on must still last."""
    place = four(max_open=limit)
    assert granted(drawn(place, running_on(97.001), moves=(move,))) == ["saw"]
    assert granted(drawn(place, running_on(97.0), moves=(move,))) == (["saw"] if served else [])


def test_a_hand_start_that_ends_before_its_gate_would_be_open_gets_nothing_and_no_alarm() -> None:
    place = shop(tool("saw"), gate("saw"), gate("sweep", hand_limit=60.0), fan(max_open=1))
    context = drawn(place, hands=(None, Hand(41.0)))
    assert granted(context) == []
    assert context.commands == []
    assert granted(drawn(place, hands=(None, Hand(41.001)))) == ["sweep"]
    assert granted(drawn(place, hands=(None, Hand(41.0)), moves=(GateShut(), GateOpen()))) == ["sweep"]


def test_a_cut_and_a_tool_without_a_gate_and_a_gate_moved_by_hand_have_no_travel_to_wait_for() -> None:
    assert granted(drawn(four(), cutting(10.0))) == ["saw"]
    place = shop(hose("vac"), tool("saw"), gate("saw", commanded=False), fan(min_open=0))
    assert granted(drawn(place, running_on(96.5), running_on(96.5))) == ["vac", "saw"]


def test_of_a_run_ons_gates_those_that_come_in_time_stay_its_own() -> None:
    place = shop(
        tool("saw", "near", "far", assist=("slow", "quick")),
        gate("near"),
        gate("far", travel=3.0),
        gate("slow", travel=3.0),
        gate("quick", travel=0.5),
        fan(),
    )
    context = drawn(place, running_on(98.0))
    (one,) = demand.grant(context, MAIN)
    assert (one.gates, one.assist) == ((0,), (3,))


def test_beside_a_cut_the_older_run_on_gives_way_and_comes_back_only_for_more_than_its_gates_travel() -> None:
    """Planer and band saw have just stopped, the router cuts, two gates may stand open: nothing moves for a second."""
    names = ("planer", "band_saw", "router")

    def day(run_on: float) -> list[str]:
        place = shop(
            tool("planer", run_on=run_on),
            tool("band_saw", run_on=9.0),
            tool("router", run_on=1.0),
            *(gate(name, reports=False) for name in names),
            fan(max_open=2, reports=False),
        )
        bench = running(place, "planer")
        said = bench.amps(60.0, 5.0, "band_saw") + bench.until(62.0) + bench.amps(62.0, 0.0, "planer")
        said += bench.amps(63.0, 0.0, "band_saw") + bench.amps(64.0, 5.0, "router") + bench.until(66.0)
        said += bench.amps(66.0, 0.0, "router") + bench.until(100.0)
        return [one for one in commands(said) if one.startswith(("open", "shut"))]

    # The planer stopped first, so its gate goes; at 67 s, when the router's run-on ends, its own has 0.9 s to go.
    moves = ["open band_saw", "open router instead of planer", "shut planer"]
    assert day(5.9) == day(6.0) == [*moves, "shut router", "shut band_saw"]
    assert day(6.1)[:4] == [*moves, "open planer instead of router"]


def test_a_refusal_names_the_limit_and_the_gates_that_take_it_once() -> None:
    context = drawn(four(max_open=2), *(cutting(50.0 + at) for at in range(3)))
    granted(context)
    assert [line(one) for one in context.findings] == [
        "alarm_raised/max_open tool=sander alarm=tool.sander.max_open max_open=2 taken=saw, jointer",
        "start_refused/max_open tool=sander collector=main max_open=2 taken=saw, jointer",
    ]
    granted(context)
    assert len(context.findings) == 2


def test_a_refused_hand_start_is_named_by_its_gate() -> None:
    context = drawn(four(max_open=1), cutting(50.0), hands=(None, Hand(60.0)))
    granted(context)
    assert [line(one) for one in context.findings] == [
        "alarm_raised/max_open gate=jointer alarm=gate.jointer.max_open max_open=1 taken=saw",
        "start_refused/max_open gate=jointer collector=main max_open=1 taken=saw",
    ]


def test_run_on_gives_way_without_a_word() -> None:
    context = drawn(four(max_open=1), running_on(50.0), cutting(90.0))
    assert granted(context) == ["jointer"]
    assert context.findings == []


def test_a_refusal_ends_when_there_is_room() -> None:
    bench = running(four(max_open=1))
    assert "raise tool.jointer.max_open" in commands(bench.amps(60.0, 5.0, "jointer"))
    said = bench.amps(65.0, 0.0)
    assert "clear tool.jointer.max_open" in commands(said)
    assert "alarm_cleared/max_open tool=jointer alarm=tool.jointer.max_open" in said
    assert "open jointer instead of saw" in commands(said)


def test_a_refusal_ends_with_its_demand() -> None:
    bench = running(four(max_open=1))
    bench.amps(60.0, 5.0, "jointer")
    assert "alarm_cleared/no_demand tool=jointer alarm=tool.jointer.max_open" in bench.amps(61.0, 0.0, "jointer")


def test_tools_at_one_gate_share_its_room() -> None:
    place = shop(tool("saw"), tool("jointer", "saw"), gate("saw"), gate("sander"), fan(max_open=1))
    assert granted(drawn(place, cutting(50.0), cutting(51.0))) == ["saw", "jointer"]


def test_a_tool_of_two_gates_wants_room_for_both() -> None:
    place = shop(tool("wide", "a", "b"), tool("narrow", "c"), gate("a"), gate("b"), gate("c"), fan(max_open=2))
    assert granted(drawn(place, cutting(60.0), cutting(50.0))) == ["narrow"]
    assert granted(drawn(place, cutting(50.0), cutting(60.0))) == ["wide"]


@pytest.mark.parametrize(
    ("limit", "first", "second"), [(1, (), ()), (2, (), ()), (3, (2,), ()), (4, (2, 3), ()), (9, (2, 3), ())]
)
def test_assist_gates_come_last_of_all_and_only_where_there_is_room(
    limit: int, first: tuple[int, ...], second: tuple[int, ...]
) -> None:
    context = drawn(assisting(max_open=limit), cutting(50.0), cutting(60.0))
    served = demand.grant(context, MAIN)
    assert served[0].assist == first
    assert all(one.assist == second for one in served[1:])


def test_one_tools_assist_gates_take_what_room_is_left() -> None:
    context = drawn(assisting(max_open=2), cutting(50.0))
    assert [one.assist for one in demand.grant(context, MAIN)] == [(2,)]
    context = drawn(assisting(), cutting(50.0), cutting(60.0))
    assert [one.assist for one in demand.grant(context, MAIN)] == [
        (2, 3),
        (3, 0),
    ]


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
    context = drawn(place, cutting(50.0), moves=(move,))
    assert demand.may_open(context, GateAt(0)) is may
    assert demand.can_be_served(context, demand.of_collector(context, MAIN)[0]) is may


def test_one_gate_that_can_open_is_enough_and_none_at_all_too() -> None:
    place = shop(tool("wide", "a", "b"), gate("a"), gate("b"), fan())
    for moves, served in (
        ((GateFault(Position.OPEN, 1.0), GateShut()), True),
        ((GateFault(Position.OPEN, 1.0), GateFault(Position.OPEN, 1.0)), False),
    ):
        context = drawn(place, cutting(50.0), moves=moves)
        assert demand.can_be_served(context, demand.of_collector(context, MAIN)[0]) is served
    context = drawn(shop(hose(), fan(min_open=0)), cutting(50.0))
    assert demand.can_be_served(context, demand.of_collector(context, MAIN)[0])


def test_a_tool_that_asks_for_nothing_hides_no_tool_after_it() -> None:
    assert order(drawn(four(), ToolMuted(5.0, 90.0), cutting(50.0))) == ["jointer"]
    context = drawn(four(), hands=(None, Hand(50.0)))
    assert order(context) == ["by hand: jointer"]


def test_a_hand_starts_refusal_that_ends_names_its_gate() -> None:
    bench = running(four(max_open=1))
    bench.tell(ev.HandAsked("jointer", on=True), 60.0)
    assert "alarm_cleared/max_open gate=jointer alarm=gate.jointer.max_open" in bench.amps(65.0, 0.0)
