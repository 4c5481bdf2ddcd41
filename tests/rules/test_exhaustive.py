"""Every situation that a small shop can come to, and every move from it: I1 to I5 hold, and no veto is needed.

The walk is breadth first, so that a breach is shown with the shortest way to it. How many situations and moves there
were is printed at the end of the run (tests/conftest.py). Three walks have too many for every run: there the nearest
20,000 or 2,000 of each; `python -m tests.long situations` has them all.
"""

import os
from collections.abc import Callable

import pytest
from small_shops import (
    QUANTUM,
    at_rest,
    hose,
    in_quanta,
    limited,
    moves,
    one_gate,
    one_gate_and_a_stop,
    one_tool,
    two_tools,
    watts_and_a_contact,
)
from walk import Walked, walk

from gatehand_rules import events as ev
from gatehand_rules.words import Position

Tell = Callable[[str], None]


WHOLE = "GATEHAND_WHOLE_WALKS"
"""In the environment (`python -m tests.long situations`): the walks too long for every run go to their ends too."""
LEAST = 10**9 if WHOLE in os.environ else 2_000
MOST = 10**9 if WHOLE in os.environ else 20_000


def sound(found: Walked, tell: Tell, what: str, *, most: int | None = None) -> None:
    assert not found.breaches, "\n".join([*found.breaches, "the shortest way there:", *found.path])
    assert found.complete or found.states == most, f"{what}: cut short at {found.states} states"
    tell(f"{what}: {found}")


@pytest.mark.slow
def test_two_tools_two_gates_and_a_stop_contact(tell: Tell) -> None:
    shop, times = in_quanta(two_tools())
    found = walk(shop, moves(shop), times, begin=at_rest(shop, heard=True), most=MOST)
    sound(found, tell, "two tools, two gates, a stop contact", most=MOST)
    assert found.states >= MOST or (found.complete and found.states > 30_000)


def test_a_switch_that_is_told_again_and_refreshed(tell: Tell) -> None:
    shop, times = in_quanta(one_tool({"reports": True, "refresh": 2 * QUANTUM}), answer=2 * QUANTUM, contrary=QUANTUM)
    sound(walk(shop, moves(shop), times, begin=at_rest(shop)), tell, "answers and refresh")


@pytest.mark.slow
def test_events_that_come_before_their_tick(tell: Tell) -> None:
    shop, times = in_quanta(one_tool({"reports": True}, reports=True))
    sound(walk(shop, moves(shop, late=True), times, begin=at_rest(shop)), tell, "late ticks")


def test_a_meter_in_watts_a_contact_and_a_motor_known_by_a_contact(tell: Tell) -> None:
    shop, times = in_quanta(watts_and_a_contact())
    found = walk(shop, moves(shop), times, begin=at_rest(shop, heard=True), most=LEAST)
    sound(found, tell, "watts, a contact, a motor's contact", most=LEAST)


def test_room_for_one_gate(tell: Tell) -> None:
    shop, times = in_quanta(limited())
    sound(walk(shop, moves(shop), times, begin=at_rest(shop, heard=True)), tell, "room for one gate")


def test_a_collector_that_may_run_with_every_gate_shut(tell: Tell) -> None:
    shop, times = in_quanta(hose())
    sound(walk(shop, moves(shop), times, begin=at_rest(shop)), tell, "no gate needed")


def test_hands_and_a_gate_that_starts_when_opened(tell: Tell) -> None:
    shop, times = in_quanta(one_gate(reports=True, on_hand_open="start"))
    more: list[ev.Event] = [ev.ButtonPressed("told"), ev.HandAsked("told", on=True), ev.HandAsked("told", on=False)]
    sound(walk(shop, moves(shop, more=more), times, begin=at_rest(shop)), tell, "hands")


def test_a_reset_button_messages_and_holds(tell: Tell) -> None:
    """A press of a quantum counts, one of three does not: both layers and the observer agree on each."""
    shop, times = in_quanta(one_gate_and_a_stop(), alone=2 * QUANTUM)
    more: list[ev.Event] = [
        *(ev.ResetButton("main", pressed=pressed) for pressed in (True, False)),
        ev.HoldAsked("main"),
        ev.OffAsked("main"),
    ]
    found = walk(shop, moves(shop, more=more), times, begin=at_rest(shop))
    sound(found, tell, "a reset button, messages and holds")


@pytest.mark.slow
def test_a_broker_that_comes_and_goes(tell: Tell) -> None:
    shop, times = in_quanta(one_gate(reports=True))
    more: list[ev.Event] = [
        ev.GateReport("told", Position.OPEN, retained=True),
        ev.GateReport("told", Position.SHUT, retained=True),
        ev.Reading("saw", 0.0, retained=True),
        ev.Reading("saw", 6.0, young=True),
    ]
    found = walk(shop, moves(shop, more=more), times, begin=at_rest(shop, heard=True), broker=True, most=MOST)
    sound(found, tell, "a broker that comes and goes", most=MOST)
    assert found.states >= MOST or found.complete
