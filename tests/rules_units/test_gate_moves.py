"""One gate: its travel, reports, retries, fault, and what a report of unknown age may do."""

from math import inf
from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.context import Context
from gatehand_rules.findings import Rule
from gatehand_rules.gates import ensure_open, forget_fault, may_shut, tell_again, tell_open, tell_shut
from gatehand_rules.gates import report_retained as retained_report
from gatehand_rules.shop import GateAt
from gatehand_rules.state import (
    CoastDown,
    CollectorState,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateShutting,
    GateState,
    GateUnknown,
    Running,
)
from gatehand_rules.words import Position

OPEN, SHUT, BETWEEN = Position.OPEN, Position.SHUT, Position.BETWEEN


def with_gate(**more: Any) -> Shop:  # noqa: ANN401 - the fields of a gate
    return shop(tool(), gate(**more))


def moved(bench: Bench, move: GateMove, reported: Position | None = None) -> Bench:
    """The same bench with its first gate there."""
    bench.put(gates=(GateState(move=move, reported=reported), *bench.state.gates[1:]))
    return bench


# --- travel


def test_a_gate_without_report_is_open_at_the_end_of_its_travel() -> None:
    bench = ready(with_gate(reports=False))
    bench.amps(50.0, 5.0)
    assert bench.state.wake_at == 51.0
    assert bench.tick(50.999) == []
    assert bench.tick(51.25) == [
        "> on main",
        "gate_open/travel gate=saw collector=main took=1.25 travel=1 late_by=0.25",
        "collector_on/demand collector=main starts_this_hour=1 starts_per_hour=None",
    ]
    assert bench.gate_state() == GateState(move=GateOpen(50.0))


def test_a_gate_without_travel_is_open_in_the_same_instant() -> None:
    bench = ready(with_gate(reports=False, travel=0.0))
    assert commands(bench.amps(50.0, 5.0)) == ["open saw", "on main"]


def test_a_gate_that_reports_is_not_open_before_it_says_so() -> None:
    bench = ready(with_gate(retries=0, travel=10.0))
    bench.amps(50.0, 5.0)
    assert bench.tick(59.999) == []
    assert bench.is_open(59.999)[0] == "> on main"


@pytest.mark.parametrize("live", [True, False])
def test_an_open_report_is_proof_at_the_end_of_the_travel_since_it_was_told_and_one_of_unknown_age_is_none(
    *, live: bool
) -> None:
    bench = ready(with_gate())
    bench.tell(ev.GateReport("saw", OPEN, retained=not live), 49.0)
    bench.tell(ev.DeviceOnline("gate", "saw", online=True), 49.0)
    bench.put(gates=(replace(bench.gate_state(), move=GateUnknown()),))  # what it was told may not have arrived
    bench.amps(50.0, 5.0)
    assert bench.gate_state() == GateState(move=GateOpening(50.0, 50.0), reported=OPEN, live=live)
    assert bench.tick(50.999) == []
    proven = "gate_open/travel gate=saw collector=main took=1 travel=1 late_by=None"
    assert (proven in bench.tick(51.0)) is live


@pytest.mark.parametrize("retries", [0, 1, 3])
def test_a_gate_is_told_again_as_often_as_its_retries_and_then_is_a_fault(retries: int) -> None:
    bench = ready(with_gate(retries=retries))
    bench.amps(50.0, 5.0)
    for n in range(1, retries + 1):
        assert bench.tick(50.0 + n) == [
            "> open saw",
            f"gate_commanded/retry gate=saw collector=main to=open travel=1 tries={n} retries={retries}",
        ]
        assert bench.gate_state().move == GateOpening(50.0 + n, 50.0, n)
        assert bench.tick(50.999 + n) == []
    said = bench.tick(51.0 + retries)
    assert [line for line in said if "gate" in line and "tool" not in line] == [
        "> raise gate.saw.fault",
        (
            f"gate_fault/travel gate=saw collector=main wanted=open reported=None travel=1 retries={retries} "
            f"waited={retries + 1}"
        ),
        "alarm_raised/travel gate=saw alarm=gate.saw.fault wanted=open travel=1",
    ]
    assert bench.gate_state().move == GateFault(OPEN, 50.0)


def test_a_gate_seen_between_is_told_again_and_the_fault_says_where_it_was_seen() -> None:
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    assert bench.tell(ev.GateReport("saw", BETWEEN), 50.5) == []
    assert "reported=between" in bench.tick(51.0)[2]


def test_the_word_that_is_neither_open_nor_shut_stands_in_the_fault_while_it_is_the_last() -> None:
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    bench.tell(ev.GateReport("saw", BETWEEN, says="OPEN"), 50.5)
    told = bench.tick(51.0)
    assert told[2].startswith("gate_fault/")
    assert told[3].startswith("alarm_raised/travel gate=saw alarm=gate.saw.fault")
    assert all(" says=OPEN" in line for line in told[2:4])
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    bench.tell(ev.GateReport("saw", BETWEEN, says="OPEN"), 50.5)
    bench.is_shut(50.6)
    assert "says" not in bench.tick(51.0)[2]


def test_a_word_that_no_longer_counts_is_not_in_the_fault() -> None:
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    bench.put(gates=(replace(bench.gate_state(), reported=None, says="OPEN"),))
    assert "says" not in bench.tick(51.0)[2]


def test_an_open_gate_that_says_another_word_is_told_with_it() -> None:
    bench = running(saw_shop())
    assert "gate_between/report gate=saw collector=main says=ajar" in bench.tell(
        ev.GateReport("saw", BETWEEN, says="ajar"), 60.0
    )


def test_a_retained_word_stands_in_the_fault_too() -> None:
    bench = ready(with_gate(retries=0))
    bench.tell(ev.GateReport("saw", BETWEEN, retained=True, says="OPEN"), 49.0)
    bench.amps(50.0, 5.0)
    bench.tick(51.0)  # shut once, so that it speaks
    bench.tick(52.0)
    assert " says=OPEN" in bench.tick(53.0)[2]


def test_a_gate_in_fault_that_opens_late_is_open_and_starts_the_collector() -> None:
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    bench.until(53.0)
    said = bench.is_open(53.5)
    assert said[0] == "> clear gate.saw.fault"
    assert "gate_open/report gate=saw collector=main took=3.5 travel=1 late_by=2.5" in said
    assert "alarm_cleared/report gate=saw alarm=gate.saw.fault" in said


def test_a_gate_that_arrives_in_time_is_not_called_late() -> None:
    bench = ready(with_gate())
    bench.amps(50.0, 5.0)
    assert "late_by=None" in bench.is_open(51.0)[1]
    bench = ready(with_gate())
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    assert "late_by=0.001" in bench.is_open(51.001)[1]


def test_a_fresh_demand_tries_a_gate_in_fault_again() -> None:
    bench = ready(with_gate(retries=0))
    bench.amps(50.0, 5.0)
    bench.until(53.0)
    bench.amps(60.0, 0.0)
    bench.until(70.0)
    assert commands(bench.amps(80.0, 5.0))[-1:] == ["open saw"]
    assert bench.gate_state().move == GateOpening(80.0, 80.0)


@pytest.mark.parametrize(
    ("move", "after"),
    [
        (GateFault(OPEN, 1.0), GateUnknown()),
        (GateFault(SHUT, 1.0), GateFault(SHUT, 1.0)),
        (GateOpening(1.0, 1.0), GateOpening(1.0, 1.0)),
    ],
)
def test_only_a_fault_of_opening_is_forgotten(move: GateMove, after: GateMove) -> None:
    bench = moved(ready(with_gate()), move)
    context = Context(bench.shop, bench.state, 60.0)
    forget_fault(context, GateAt(0))
    assert context.gates[0].move == after


@pytest.mark.parametrize(
    ("move", "told"),
    [
        (GateUnknown(), True),
        (GateShut(), True),
        (GateShutting(1.0, 1.0), True),
        (GateFault(SHUT, 1.0), True),
        (GateFault(OPEN, 1.0), False),
        (GateOpening(1.0, 1.0), False),
        (GateOpen(), False),
    ],
)
def test_a_gate_is_told_open_unless_it_is_open_on_its_way_or_given_up(move: GateMove, *, told: bool) -> None:
    bench = moved(ready(with_gate()), move, SHUT)
    context = Context(bench.shop, bench.state, 60.0)
    ensure_open(context, GateAt(0), Rule.DEMAND, ("a", "b"))
    assert bool(context.commands) is told
    if told:
        assert context.gates[0] == GateState(move=GateOpening(60.0, 60.0, said_shut=True))
        assert dict(context.findings[0].facts)["instead_of"] == "a, b"


# --- what the telling does to the last report


def test_told_to_open_a_gate_seen_shut_is_no_longer_taken_for_shut_and_the_other_way_round() -> None:
    bench = ready(with_gate())
    bench.amps(50.0, 5.0)
    assert bench.gate_state().reported is None
    bench = running(with_gate())
    bench.amps(60.0, 0.0)
    bench.until(64.0)
    bench.is_off(64.0)
    bench.until(72.0)
    assert bench.gate_state() == GateState(move=GateShutting(72.0, 72.0), live=True)


def test_told_to_shut_a_gate_seen_shut_by_an_old_report_is_shut_at_the_end_of_its_travel() -> None:
    bench = moved(ready(with_gate()), GateShutting(50.0, 50.0), SHUT)
    assert bench.tick(51.0) == ["gate_shut/travel gate=saw collector=main took=1 travel=1 late_by=None"]
    assert bench.gate_state().move == GateShut(50.0)


# --- live reports in every state


@pytest.mark.parametrize(
    ("move", "position", "after", "said"),
    [
        (GateUnknown(), OPEN, GateOpen(), "gate_open/moved_by_hand"),
        (GateShut(3.0), OPEN, GateOpen(), "gate_open/moved_by_hand"),
        (GateOpening(49.5, 49.0), OPEN, GateOpen(49.5), "gate_open/report"),
        (GateFault(OPEN, 40.0), OPEN, GateOpen(40.0), "gate_open/report"),
        (GateOpen(3.0), OPEN, GateOpen(3.0), None),
        (GateShutting(49.5, 49.5), OPEN, GateShutting(49.5, 49.5), None),
        (GateFault(SHUT, 40.0), OPEN, GateFault(SHUT, 40.0), None),
        (GateUnknown(), SHUT, GateShut(), "gate_shut/moved_by_hand"),
        (GateOpen(3.0), SHUT, GateShut(), "gate_shut/moved_by_hand"),
        (GateShutting(49.5, 49.0), SHUT, GateShut(49.5), "gate_shut/report"),
        (GateFault(SHUT, 40.0), SHUT, GateShut(40.0), "gate_shut/report"),
        (GateShut(3.0), SHUT, GateShut(3.0), None),
        (GateOpening(49.5, 49.5), SHUT, GateOpening(49.5, 49.5), None),
        (GateFault(OPEN, 40.0), SHUT, GateFault(OPEN, 40.0), None),
        (GateOpen(3.0), BETWEEN, GateUnknown(), "gate_between/report"),
        (GateShut(3.0), BETWEEN, GateUnknown(from_shut=True), "gate_between/report"),
        (GateOpening(49.5, 49.5), BETWEEN, GateOpening(49.5, 49.5), None),
        (GateUnknown(), BETWEEN, GateUnknown(), None),
    ],
)
def test_a_live_report_in_every_state(move: GateMove, position: Position, after: GateMove, said: str | None) -> None:
    bench = moved(ready(with_gate()), move)
    told = bench.tell(ev.GateReport("saw", position), 50.0)
    assert bench.gate_state() == GateState(move=after, reported=position, live=True)
    assert events(told) == ([] if said is None else [said])
    if said is not None:
        assert " gate=saw collector=main" in told[0]


@pytest.mark.parametrize(
    ("move", "position", "after", "said"),
    [
        (GateShut(3.0), OPEN, GateUnknown(), []),
        (GateUnknown(), OPEN, GateUnknown(), []),
        (GateOpen(3.0), OPEN, GateOpen(3.0), []),
        (GateOpening(1.0, 1.0), OPEN, GateOpening(1.0, 1.0), []),
        (GateOpen(3.0), SHUT, GateUnknown(), ["gate_between/retained gate=saw collector=main says=shut"]),
        (GateOpen(3.0), BETWEEN, GateUnknown(), ["gate_between/retained gate=saw collector=main says=between"]),
        (GateUnknown(), SHUT, GateShut(), []),
        (GateUnknown(), BETWEEN, GateUnknown(), []),
        (GateShutting(1.0, 1.0), SHUT, GateShutting(1.0, 1.0), []),
    ],
)
def test_a_report_of_unknown_age_takes_a_proof_away_and_gives_none(
    move: GateMove, position: Position, after: GateMove, said: list[str]
) -> None:
    bench = moved(ready(with_gate()), move)
    context = Context(bench.shop, bench.state, 50.0)
    retained_report(context, GateAt(0), position, "")
    assert context.gates[0] == GateState(move=after, reported=position)
    assert moved(bench, move).tell(ev.GateReport("saw", position, retained=True), 50.0)[: len(said)] == said


# --- shutting


@pytest.mark.parametrize(
    ("min_open", "phase", "still_at", "others_open", "may"),
    [
        (1, Running(), inf, 0, False),
        (1, Running(), inf, 1, True),
        (2, Running(), inf, 1, False),
        (2, Running(), inf, 2, True),
        (0, Running(), inf, 0, True),
        (1, CoastDown(), 60.001, 0, False),
        (1, CoastDown(), 60.0, 0, True),
        (1, CoastDown(), -inf, 0, True),
    ],
)
def test_a_gate_may_shut_when_the_fan_stands_or_enough_others_are_open(
    min_open: int, phase: Running | CoastDown, still_at: float, others_open: int, *, may: bool
) -> None:
    three = shop(
        tool(), gate("saw"), gate("a"), gate("b"), gate("far", collector="other"), fan(min_open=min_open), fan("other")
    )
    bench = ready(three)
    bench.put(
        gates=tuple(GateState(move=GateOpen() if at <= others_open or at == 3 else GateShut()) for at in range(4)),
        collectors=(CollectorState(phase=phase, still_at=still_at), bench.state.collectors[1]),
    )
    assert may_shut(Context(three, bench.state, 60.0), GateAt(0)) is may


def test_told_again_a_gate_that_the_fan_cannot_spare_any_more_is_left_alone() -> None:
    bench = running(saw_shop())
    bench.put(gates=(GateState(move=GateShutting(55.0, 55.0)),))
    context = Context(bench.shop, bench.state, 60.0)
    tell_again(context, GateAt(0), tries=1, rule=Rule.RETRY)
    assert context.gates[0].move == GateUnknown(shutting=True)
    assert context.commands == []
    assert context.findings == []


@pytest.mark.parametrize(
    ("move", "tries", "after", "said"),
    [
        (GateOpening(5.0, 4.0, 1), 2, GateOpening(60.0, 4.0, 2), "open"),
        (GateOpening(5.0, 4.0, 1), 0, GateOpening(60.0, 60.0, 0), "open"),
        (GateShutting(5.0, 4.0, 1), 2, GateShutting(60.0, 4.0, 2), "shut"),
        (GateShutting(5.0, 4.0, 1), 0, GateShutting(60.0, 60.0, 0), "shut"),
        (GateOpen(5.0), 0, GateOpen(5.0), None),
        (GateFault(OPEN, 5.0), 0, GateFault(OPEN, 5.0), None),
    ],
)
def test_told_again_after_a_lost_connection_its_tries_and_its_waiting_begin_anew(
    move: GateMove, tries: int, after: GateMove, said: str | None
) -> None:
    bench = moved(ready(with_gate()), move)
    context = Context(bench.shop, bench.state, 60.0)
    tell_again(context, GateAt(0), tries=tries, rule=Rule.BROKER)
    assert context.gates[0].move == after
    assert [dict(one.facts)["to"] for one in context.findings] == ([] if said is None else [said])
    assert len(context.commands) == len(context.findings)


# --- moved by hand


@pytest.mark.parametrize(("on_hand_open", "starts"), [("start", True), ("ignore", False)])
def test_a_gate_opened_by_hand_is_a_hand_start_where_the_shop_says_so(on_hand_open: str, *, starts: bool) -> None:
    bench = ready(shop(tool(), gate(on_hand_open=on_hand_open)))
    said = events(bench.is_open(50.0))
    assert ("hand_started/moved_by_hand" in said) is starts
    assert (bench.gate_state().hand is not None) is starts


def test_a_gate_that_passes_between_on_its_way_by_hand_is_a_hand_start_all_the_same() -> None:
    bench = ready(shop(tool(), gate(on_hand_open="start")))
    bench.tell(ev.GateReport("saw", BETWEEN), 50.0)
    assert "hand_started/moved_by_hand" in events(bench.is_open(51.0))
    bench = moved(ready(shop(tool(), gate(on_hand_open="start"))), GateUnknown())
    assert "hand_started/moved_by_hand" not in events(bench.is_open(51.0))


def test_a_hand_start_by_opening_ends_when_the_gate_is_shut_and_one_by_button_does_not() -> None:
    bench = ready(shop(tool(), gate(on_hand_open="start")))
    bench.is_open(50.0)
    assert "hand_ended/moved_by_hand" in events(bench.is_shut(52.0))
    bench = ready(shop(tool(), gate()))
    bench.tell(ev.ButtonPressed("saw"), 50.0)
    bench.is_open(51.0)
    bench.is_shut(52.0)
    assert bench.gate_state().hand is not None


def test_a_gate_opened_by_hand_within_a_hand_start_begins_none_anew() -> None:
    bench = ready(shop(tool(), gate(on_hand_open="start")))
    bench.tell(ev.HandAsked("saw", on=True), 50.0)
    bench.put(gates=(GateState(move=GateShut(), hand=bench.gate_state().hand),))
    bench.is_open(53.0)
    hand = bench.gate_state().hand
    assert hand is not None
    assert hand.since == 50.0
    assert not hand.by_opening


def test_a_gate_that_was_told_to_open_and_does_is_no_hand_start() -> None:
    bench = ready(shop(tool(), gate(on_hand_open="start")))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_open(52.0)
    assert bench.gate_state().hand is None


@pytest.mark.parametrize(
    ("reported", "open_after", "shut_after"),
    [(OPEN, OPEN, None), (SHUT, None, SHUT), (BETWEEN, BETWEEN, BETWEEN), (None, None, None)],
)
def test_told_anew_what_a_gate_said_of_the_other_position_is_void(
    reported: Position | None, open_after: Position | None, shut_after: Position | None
) -> None:
    bench = moved(ready(with_gate()), GateUnknown(), reported)
    for tell, after in ((tell_open, open_after), (tell_shut, shut_after)):
        context = Context(bench.shop, bench.state, 60.0)
        tell(context, GateAt(0), Rule.DEMAND)
        assert context.gates[0].reported is after


def test_opened_in_the_very_instant_in_which_its_shutting_is_over_it_was_shut_before() -> None:
    """Both layers take it so: it is no word from before it was told to shut."""
    bench = ready(shop(tool(run_on=0.0), gate(travel=2.0)))
    bench.amps(50.0, 5.0)
    bench.is_shut(50.2)
    bench.amps(50.4, 0.0)
    assert bench.gate_state().move == GateShutting(50.4, 50.4)
    assert events(bench.is_open(52.4)) == ["gate_shut/travel", "gate_open/moved_by_hand"]
    assert commands(bench.amps(52.5, 5.0)) == ["on main"]
    assert bench.amps(53.0, 0.0)[0] == "> off main"
    bench.until(70.0)
    assert not [one for one in bench.findings if one.event == "command_vetoed"]
