"""Who moved a gate or asked for a hand start: exercise under its own hold, a message, a name, a hand, a button."""

import pytest
from unit_bench import Bench, fan, gate, ready, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.state import Held
from gatehand_rules.words import EXERCISE


def exercised(*, commanded: bool = True) -> Bench:
    """A saw whose collector exercise has asked to hold."""
    bench = ready(shop(tool(), gate(commanded=commanded), fan()))
    bench.tell(ev.HoldAsked("main", "exercise", by=EXERCISE), 60.0)
    return bench


def test_what_exercise_moves_under_its_hold_is_said_to_be_moved_by_it() -> None:
    bench = exercised()
    assert bench.is_open(61.0) == ["gate_open/moved_by_hand gate=saw collector=main by=exercise"]
    assert bench.is_shut(62.0) == ["gate_shut/moved_by_hand gate=saw collector=main by=exercise"]


def test_after_its_end_a_hand_is_a_hand_again_though_the_hold_goes_on() -> None:
    bench = exercised()
    bench.tell(ev.HoldAsked("main", "exercise"), 63.0)
    assert bench.fan_state().phase == Held("exercise")
    assert bench.is_open(64.0) == ["gate_open/moved_by_hand gate=saw collector=main"]


def test_under_a_hold_that_was_there_before_exercise_is_known_too_and_the_hold_keeps_its_reason() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main", "filter change", by="Anna"), 60.0)
    assert bench.is_open(60.5) == ["gate_open/moved_by_hand gate=saw collector=main"]
    assert bench.tell(ev.HoldAsked("main", "exercise", by=EXERCISE), 61.0) == []
    assert bench.fan_state().phase == Held("filter change", EXERCISE)
    assert bench.is_shut(62.0) == ["gate_shut/moved_by_hand gate=saw collector=main by=exercise"]


def test_a_gate_that_only_a_hand_can_move_is_moved_by_a_hand() -> None:
    assert exercised(commanded=False).is_open(61.0) == ["gate_open/moved_by_hand gate=saw collector=main"]


def test_a_gate_of_another_collector_is_moved_by_a_hand() -> None:
    bench = ready(
        shop(tool(), tool("lathe", collector="big"), gate(), gate("lathe", collector="big"), fan(), fan("big"))
    )
    bench.tell(ev.HoldAsked("big", "exercise", by=EXERCISE), 60.0)
    assert bench.is_open(61.0) == ["gate_open/moved_by_hand gate=saw collector=main"]
    assert bench.is_open(62.0, "lathe") == ["gate_open/moved_by_hand gate=lathe collector=big by=exercise"]


@pytest.mark.parametrize(("by", "said"), [("", 1), (EXERCISE, 0)])
def test_no_hand_start_is_refused_where_exercise_opened_the_gate(by: str, said: int) -> None:
    bench = ready(shop(tool(), gate(on_hand_open="start"), fan()))
    bench.tell(ev.HoldAsked("main", "x", by=by), 60.0)
    refused = [line for line in bench.is_open(61.0) if line.startswith("start_refused/hold")]
    assert len(refused) == said


def test_a_hand_start_by_message_says_who_asked_or_that_a_message_did() -> None:
    bench = ready(saw_shop())
    first = "hand_started/button gate=saw collector=main hand_limit=1800 by=message"
    assert first in bench.tell(ev.HandAsked("saw", on=True), 60.0)
    ended = "hand_ended/button gate=saw collector=main lasted=5 hand_limit=1800 by=Anna"
    assert ended in bench.tell(ev.HandAsked("saw", on=False, by="Anna"), 65.0)
    why = "hand_started/button gate=saw collector=main hand_limit=1800 by=message because=sweep the floor"
    assert why in bench.tell(ev.HandAsked("saw", on=True, because="sweep the floor"), 80.0)


def test_a_hand_start_with_the_button_has_no_asker() -> None:
    bench = ready(saw_shop())
    said = bench.tell(ev.ButtonPressed("saw"), 60.0)
    assert "hand_started/button gate=saw collector=main hand_limit=1800" in said
