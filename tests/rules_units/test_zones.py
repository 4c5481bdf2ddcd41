"""Which gates stand open for the demands, and how one zone changes into another."""

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, events, fan, gate, line, running, shop, tool
from zone_bench import SERVED, STALE, assisting, cutting, drawn, four, running_on

from gatehand_rules import demand, zone
from gatehand_rules import events as ev
from gatehand_rules.commands import ShutGate
from gatehand_rules.context import Context
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.state import (
    CollectorState,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateShutting,
    GateUnknown,
    Hand,
)
from gatehand_rules.words import Position

MAIN = CollectorAt(0)


def wanted(context: Context) -> list[GateAt]:
    return zone.wanted(context, MAIN, demand.grant(context, MAIN))


def test_the_zone_is_the_demands_gates_then_their_assist_gates_each_once() -> None:
    context = drawn(assisting(), cutting(50.0), cutting(60.0))
    assert wanted(context) == [0, 1, 2, 3]


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
    context = drawn(place, cutting(50.0), collector=replace(SERVED, last_gate=last_gate))
    assert wanted(context) == zone_of


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
    context = drawn(
        four(), cutting(50.0, STALE), running_on(50.0), running_on(60.0, STALE), hands=(None, None, None, Hand(9.0))
    )
    demands = demand.of_collector(context, MAIN)
    assert sorted(zone.needed(demands)) == [0, 1, 3]
    assert zone.needed(demands + demands) == zone.needed(demands)


def test_assist_gates_are_not_waited_for() -> None:
    context = drawn(assisting(), cutting(50.0))
    assert zone.needed(demand.of_collector(context, MAIN)) == [0]


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
    ("moves", "told"),
    [
        ((GateOpen(5.0), GateUnknown()), ["jointer"]),
        ((GateUnknown(), GateOpen(5.0)), ["saw"]),
    ],
)
def test_while_the_fan_turns_for_nobody_gates_in_doubt_do_not_stand_beside_those_that_are_open(
    moves: tuple[GateMove, ...], told: list[str]
) -> None:
    """The days of faults found it (seed 11, day 18): left by a lost broker, for a whole coast-down."""
    assert trimmed(moves, 1) == told


@pytest.mark.parametrize(
    ("moves", "limit", "told"),
    [
        ((GateOpen(5.0), GateOpen(1.0)), 1, ["jointer"]),
        ((GateOpen(1.0), GateOpen(5.0)), 1, ["saw"]),
        ((GateOpen(1.0), GateOpen(5.0)), 2, []),
        ((GateOpen(1.0), GateOpen(5.0)), None, []),
        ((GateOpen(1.0), GateOpen(5.0), GateOpening(6.0, 6.0)), 1, []),
    ],
)
def test_while_the_fan_turns_for_nobody_the_newest_gates_stay_and_none_is_shut_while_one_travels(
    moves: tuple[GateMove, ...], limit: int | None, told: list[str]
) -> None:
    assert trimmed(moves, limit) == told


def trimmed(moves: tuple[GateMove, ...], limit: int | None) -> list[str]:
    """Gates that are told to shut."""
    context = drawn(four(max_open=limit), moves=moves)
    zone.trim(context, MAIN)
    return [command.gate for command in context.commands if isinstance(command, ShutGate)]


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
    context = drawn(four(), moves=(move, GateOpen(1.0)))
    zone.shut_others(context, MAIN, [GateAt(1)])
    assert bool(context.commands) is shut


def test_a_gate_in_fault_that_is_asked_for_is_not_told_to_shut() -> None:
    moves = (GateFault(Position.OPEN, 1.0), GateOpen(1.0), GateOpen(1.0))
    context = drawn(four(), cutting(50.0), moves=moves)
    zone.shut_others(context, MAIN, [GateAt(1)])
    assert [line(one) for one in context.findings] == [
        "gate_commanded/zone_change gate=sander collector=main to=shut travel=1"
    ]


def test_others_are_shut_when_the_zone_is_ready_and_has_air() -> None:
    for moves, chosen, count in (
        ((GateOpen(1.0), GateOpening(99.0, 99.0)), [1], 0),
        ((GateOpen(1.0), GateFault(Position.OPEN, 1.0)), [1], 0),
        ((GateOpen(1.0), GateFault(Position.OPEN, 1.0), GateOpen(1.0)), [1, 2], 1),
        ((GateOpen(1.0), GateOpen(1.0)), [1], 1),
    ):
        context = drawn(four(), moves=moves)
        zone.shut_others(context, MAIN, [GateAt(i) for i in chosen])
        assert len(context.commands) == count


def test_gates_moved_by_hand_are_told_nothing() -> None:
    place = shop(tool("saw"), gate("saw", commanded=False), gate("a", commanded=False), gate("b"), fan())
    context = drawn(place, cutting(50.0), moves=(GateShut(), GateOpen(), GateOpen()))
    zone.open_wanted(context, MAIN, [GateAt(0)])
    assert context.commands == []
    zone.shut_others(context, MAIN, [GateAt(2)])
    assert context.commands == []


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
        collector = CollectorState(last_gate=None if last is None else GateAt(last))
        context = drawn(place, moves=(GateOpen(), GateOpen(), GateOpen()), collector=collector)
        zone.rest(context, MAIN)
        told = {str(one.gate) for one in context.findings}
        assert told == {name for at, name in enumerate(("saw", "a", "b")) if at not in kept}


def test_left_at_rest_is_no_gate_of_unknown_position_that_cannot_say() -> None:
    place = shop(tool("saw"), gate("saw", reports=False), gate("a"), gate("b", reports=False), fan(rest="leave"))
    context = drawn(place, moves=(GateUnknown(), GateUnknown(), GateOpen(1.0)), collector=CollectorState())
    zone.rest(context, MAIN)
    assert [line(one) for one in context.findings] == ["gate_commanded/rest gate=saw collector=main to=shut travel=1"]


def test_a_hand_start_and_a_tool_may_share_a_gate() -> None:
    bench = running(four())
    bench.tell(ev.HandAsked("saw", on=True), 60.0)
    bench.amps(61.0, 0.0)
    assert bench.until(100.0)[-1:] == ["run_on_ended/run_on tool=saw collector=main run_on=4"]


def test_gates_told_open_in_vain_take_their_room_too() -> None:
    place = four(min_open=2, max_open=2)
    vain = (GateShut(), GateFault(Position.OPEN, 1.0))
    context = drawn(place, cutting(50.0), cutting(60.0), moves=vain)
    served = demand.of_collector(context, MAIN)[:1]
    assert zone.wanted(context, MAIN, served) == [0]
    context = drawn(four(min_open=2, max_open=3), cutting(50.0), cutting(60.0), moves=vain)
    assert zone.wanted(context, MAIN, served) == [0, 2]
    context = drawn(place, cutting(50.0), moves=vain)  # nobody asks for it: it is told to shut, and takes no room
    assert zone.wanted(context, MAIN, served) == [0, 2]


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
    context = drawn(place, cutting(50.0), cutting(60.0), moves=moves)
    assert zone.wanted(context, MAIN, demand.of_collector(context, MAIN)[:1]) == [0, 2]


def test_spare_are_only_the_collectors_own_gates_open_ones_first() -> None:
    for last_gate, best_first in ((3, [2, 3, 0, 1]), (4, [2, 0, 1, 3])):
        used = replace(SERVED, last_gate=last_gate)
        context = drawn(four(), moves=(GateShut(), GateShut(), GateOpen(1.0)), collector=used)
        assert zone.spare(context, MAIN) == best_first


def test_a_gate_on_its_way_is_as_good_as_another_so_that_no_second_one_is_opened() -> None:
    """A limit of one gate: after a lost broker the relief gate was told open beside the one that was on its way."""
    place = shop(tool("saw"), gate("saw", relief=True), gate("a"), gate("b"), fan(max_open=1))
    context = drawn(
        place, moves=(GateShut(), GateShut(), GateOpening(99.0, 99.0)), collector=replace(SERVED, last_gate=1)
    )
    assert zone.spare(context, MAIN) == [2, 0, 1]


def test_gates_that_carry_no_air_are_shut_first() -> None:
    context = drawn(four(), moves=(GateOpen(1.0), GateOpening(99.0, 99.0), GateOpen(1.0)))
    zone.shut_others(context, MAIN, [GateAt(2)])
    assert [one.gate for one in context.findings] == ["jointer", "saw"]
