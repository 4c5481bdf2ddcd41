"""A gate's word of unknown age counts for caution only: it never becomes proof (I1), and a mute gate is roused once."""

import pytest
from unit_bench import Bench, commands, events, fan, gate, shop, tool

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.commands import OpenGate, Poll
from gatehand_rules.state import GateFault, GateOpen, GateShut, GateUnknown, Held
from gatehand_rules.words import Position

OPEN, SHUT, BETWEEN = Position.OPEN, Position.SHUT, Position.BETWEEN


def found(place: Shop, word: Position | None = OPEN, *, on: bool = False) -> Bench:
    """A daemon's start: the broker says that the gates are at `word`, and the collector on or off. At 50 s if off."""
    bench = Bench(place)
    bench.tell(ev.BrokerConnected(), 0.0)
    for one in place.gates:
        if one.reports and word is not None:
            bench.tell(ev.GateReport(one.name, word, retained=True), 0.1)
    bench.tell(ev.CollectorReport("main", on=on, retained=True), 0.1)
    for machine in place.tools:
        bench.amps(0.2, 0.0, machine.name)
    bench.tick(0.5)
    (bench.is_on if on else bench.is_off)(0.6)
    if not on:
        bench.until(50.0)
    return bench


def one() -> Shop:
    return shop(tool(), gate(), fan(rest="leave"))


@pytest.mark.parametrize("word", [OPEN, BETWEEN, None])
def test_a_dead_gate_is_told_open_then_shut_and_opened_once_and_then_is_a_fault_and_there_is_no_start(
    word: Position | None,
) -> None:
    bench = found(one(), word)
    assert commands(bench.amps(50.0, 5.0)) == ["open saw"]
    assert commands(bench.until(50.999)) == []
    assert commands(bench.tick(51.0)) == ["shut saw"]
    assert commands(bench.tick(52.0)) == ["open saw"]
    assert commands(bench.until(53.0)) == ["raise gate.saw.fault", "raise tool.saw.not_served"]
    assert "on main" not in commands(bench.until(100.0))
    assert isinstance(bench.gate_state().move, GateFault)


def test_a_device_that_speaks_only_on_change_and_stands_open_is_made_to_speak_and_serves() -> None:
    bench = found(one())
    bench.amps(50.0, 5.0)
    assert commands(bench.tick(51.0)) == ["shut saw"]
    assert commands(bench.is_shut(51.8)) == ["open saw"]
    assert commands(bench.is_open(52.6)) == ["on main"]
    bench.is_on(52.7)
    bench.amps(60.0, 0.0)
    bench.until(64.0)
    bench.is_off(64.1)
    bench.until(80.0)
    assert bench.gate_state().move == GateOpen(51.8)  # left at rest, and heard: it is not roused again
    assert commands(bench.amps(90.0, 5.0)) == ["on main"]


def test_what_a_gate_says_while_it_is_being_shut_is_no_proof_yet() -> None:
    bench = found(one())
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    assert commands(bench.is_open(51.2)) == []  # late, from before it was told to shut
    assert commands(bench.is_shut(51.8)) == ["open saw"]


def test_a_gate_that_was_said_to_be_shut_has_to_move_and_is_told_again_as_ever() -> None:
    bench = found(one(), SHUT)
    assert commands(bench.amps(50.0, 5.0)) == ["open saw"]
    assert commands(bench.tick(51.0)) == ["open saw"]
    assert commands(bench.tick(52.0)) == ["open saw"]
    assert "raise gate.saw.fault" in commands(bench.tick(53.0))


def test_retries_beyond_two_are_kept_after_a_gate_was_shut_and_opened() -> None:
    bench = found(shop(tool(), gate(retries=4), fan(rest="leave")))
    told = commands(bench.amps(50.0, 5.0)) + commands(bench.until(60.0))
    assert told[:5] == ["open saw", "shut saw", "open saw", "open saw", "open saw"]
    assert told[5] == "raise gate.saw.fault"


def test_a_fresh_demand_tries_the_whole_of_it_again() -> None:
    bench = found(one())
    bench.amps(50.0, 5.0)
    bench.until(54.0)
    bench.amps(55.0, 0.0)
    bench.until(70.0)
    told = commands(bench.amps(70.0, 5.0)) + commands(bench.until(74.0))
    assert told[:3] == ["open saw", "shut saw", "open saw"]


def test_a_gate_that_can_be_asked_is_asked_before_it_is_told_and_its_answer_is_proof() -> None:
    bench = found(shop(tool(), gate(polled=True), fan(rest="leave")))
    assert bench.step(ev.Reading("saw", 5.0), 50.0).commands == (Poll("gate", "saw"), OpenGate("saw"))
    assert commands(bench.is_open(50.1)) == ["on main"]
    bench.amps(51.0, 0.0)
    bench.until(55.0)
    bench.is_off(55.1)
    bench.is_shut(70.0)
    assert bench.step(ev.Reading("saw", 5.0), 80.0).commands == (OpenGate("saw"),)  # heard live, it is not asked


def test_a_fan_that_wants_two_gates_gets_both_shut_and_opened_while_it_stands() -> None:
    bench = found(shop(tool("saw", "saw", "other"), gate("saw"), gate("other"), fan(rest="leave", min_open=2)))
    assert commands(bench.amps(50.0, 5.0)) == ["open saw", "open other"]
    assert commands(bench.tick(51.0)) == ["shut saw", "shut other"]
    assert commands(bench.is_shut(51.5, "saw")) == ["open saw"]
    assert commands(bench.is_shut(51.6, "other")) == ["open other"]
    assert commands(bench.is_open(52.4, "saw")) == []
    assert commands(bench.is_open(52.5, "other")) == ["on main"]


def test_room_for_one_gate_goes_to_the_new_one_only_once_it_was_heard() -> None:
    place = shop(tool("saw"), tool("other"), gate("saw"), gate("other"), fan(max_open=1, rest="leave"))
    bench = found(place)
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    bench.is_on(50.6)
    bench.until(60.0)  # told to shut, the other has said nothing
    bench.amps(60.0, 0.0)
    assert commands(bench.amps(61.0, 5.0, "other")) == ["open other instead of saw"]
    assert commands(bench.tick(62.0)) == ["shut other"]
    assert commands(bench.is_shut(62.5, "other"))[-1:] == ["open other instead of saw"]
    assert commands(bench.is_open(63.0, "other")) == ["shut saw"]


def test_while_the_fan_coasts_down_the_only_gate_is_not_shut_and_that_is_not_counted_against_it() -> None:
    place = shop(tool("saw"), tool("other"), gate("saw"), gate("other"), fan(rest="leave"))
    bench = found(place, SHUT)
    bench.tell(ev.GateReport("other", OPEN, retained=True), 49.0)
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    bench.is_on(50.6)
    bench.amps(52.0, 0.0)
    bench.until(56.0)
    bench.is_off(56.1)  # off, and the fan turns for 8 s more
    bench.is_shut(57.0)  # by hand
    said = bench.amps(58.0, 5.0, "other") + bench.until(64.5)
    told = commands(said)
    again = [each for each in said if each.startswith("gate_commanded/retry gate=other")]
    assert len(again) > 1, again
    assert not [each for each in again if "retries=2" in each], "nor said to be one of its retries"
    assert "shut other" not in told
    assert "raise gate.other.fault" not in told
    assert "shut other" in commands(bench.until(66.0))


def test_a_fan_found_turning_is_kept_by_an_old_word_until_it_is_off_and_is_never_told_on_by_it() -> None:
    bench = found(one(), on=True)
    said = bench.until(1.5)
    assert "collector_adopted/adoption" in events(said)
    assert bench.gate_state().move == GateUnknown(kept=0.5)
    said = bench.amps(3.0, 5.0) + bench.until(20.0)
    assert commands(said) == []  # neither shut (I2) nor switched on (I1): the run is used as it is
    assert bench.fan_state().on_phase
    said = bench.amps(20.0, 0.0) + bench.until(24.0)
    assert commands(said) == ["off main"]
    bench.is_off(24.1)
    bench.until(40.0)
    assert commands(bench.amps(50.0, 5.0)) == ["open saw"]  # the next run wants proof like any other
    assert commands(bench.until(53.0))[:2] == ["shut saw", "open saw"]


def test_a_gate_that_keeps_a_fan_is_proof_once_it_speaks_and_the_fan_is_ours_with_the_next_cut() -> None:
    bench = found(one(), on=True)
    bench.until(1.5)
    bench.is_open(2.0)
    assert bench.gate_state().move == GateOpen(0.5)
    assert commands(bench.amps(3.0, 5.0)) == ["on main"]


@pytest.mark.parametrize("word", [SHUT, BETWEEN])
@pytest.mark.parametrize("retained", [True, False])
def test_a_fan_kept_by_an_old_word_gets_air_and_is_told_off_when_the_word_is_taken_back(
    word: Position, *, retained: bool
) -> None:
    bench = found(one(), on=True)
    bench.until(2.0)
    said = commands(bench.tell(ev.GateReport("saw", word, retained=retained), 3.0))
    assert "open saw" in said
    assert "off main" in said
    assert not isinstance(bench.fan_state().phase, Held)  # the interlock had nothing to say


def test_with_other_air_a_gate_that_kept_the_fan_is_roused_for_its_tool() -> None:
    bench = found(shop(tool("saw"), gate("saw"), gate("other"), fan()), on=True)
    bench.until(1.5)
    bench.is_open(2.0, "other")
    assert commands(bench.amps(3.0, 5.0))[:2] == ["shut saw", "on main"]
    assert commands(bench.is_shut(3.5, "saw"))[:1] == ["open saw instead of other"]


def test_a_broken_connection_takes_nothing_away_from_what_was_live_and_gives_nothing_to_what_was_not() -> None:
    bench = found(one())
    bench.is_open(50.0)
    bench.tell(ev.BrokerLost(51.0), 51.0)
    bench.tell(ev.BrokerConnected(), 52.0)
    bench.tell(ev.GateReport("saw", OPEN, retained=True), 52.1)
    bench.until(55.0)
    bench.amps(55.0, 0.0)
    bench.until(60.0)
    assert commands(bench.amps(60.0, 5.0)) == ["on main"]

    bench = found(one())
    bench.is_shut(50.0)
    bench.tell(ev.BrokerLost(51.0), 51.0)
    bench.tell(ev.BrokerConnected(), 52.0)
    bench.tell(ev.GateReport("saw", OPEN, retained=True), 52.1)
    bench.until(55.0)
    bench.amps(55.0, 0.0)
    bench.until(60.0)
    assert commands(bench.amps(60.0, 5.0)) == ["open saw"]
    assert commands(bench.until(62.0)) == ["shut saw", "open saw"]


def test_a_gate_that_is_not_wanted_any_more_or_whose_collector_is_held_is_not_opened_again() -> None:
    bench = found(one())
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    bench.tell(ev.HoldAsked("main"), 51.5)
    assert commands(bench.is_shut(51.9)) == []
    assert bench.gate_state().move == GateShut(51.0)

    bench = found(shop(tool(run_on=0.0), gate(), fan(rest="leave")))
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    bench.amps(51.5, 0.0)
    assert commands(bench.is_shut(51.9)) == []


def test_a_fan_that_somebody_switches_on_while_its_gate_is_shut_to_speak_gets_air_at_once() -> None:
    bench = found(one())
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    said = commands(bench.is_on(51.2))
    assert "open saw" in said
    assert "off main" in said


def test_a_gate_moved_by_hand_and_open_by_an_old_word_is_to_be_shut_and_opened_once() -> None:
    bench = found(shop(tool(), gate(commanded=False), fan()))
    said = bench.amps(50.0, 5.0)
    assert "start_refused/not_heard_live tool=saw collector=main gates=saw" in said
    bench.is_shut(51.0)
    said = bench.is_open(52.0)
    assert "clear tool.saw.not_served" in commands(said)
    assert "on main" in commands(said)


def test_a_gate_moved_by_hand_and_open_by_an_old_word_keeps_a_fan_found_turning() -> None:
    bench = found(shop(tool(), gate(commanded=False), fan()), on=True)
    bench.until(2.0)
    assert bench.fan_state().on_phase
    assert commands(bench.amps(3.0, 5.0)) == []
