"""What must be so before anything moves, and what stops it: under virtual time."""

import pytest
from virtual_bench import VirtualBench, at_the_tools

from gatehand.exercise.supervisor import BrokenOffError, RefusedError
from gatehand.exercise.walk import CAUTIONS
from gatehand.mqtt.transport import Outgoing


def gate_commands(bench: VirtualBench) -> list[tuple[str, str]]:
    return [sent for sent in bench.sent if sent[0].startswith("g/")]


@pytest.mark.parametrize("state", ["opening", "spin_up", "running", "run_on", "coast_down", "unheard of"])
def test_it_refuses_while_the_daemon_runs_a_collector(state: str) -> None:
    bench = VirtualBench(daemon=state)
    with pytest.raises(RefusedError, match="the daemon works the collector main"):
        bench.go()
    assert bench.sent == []


@pytest.mark.parametrize(("topic", "payload"), [("c/state", "1"), ("c/amps", "6.5")])
@pytest.mark.parametrize("daemon", [None, "off", "held"])
def test_it_refuses_while_a_fan_is_seen_to_turn(topic: str, payload: str, daemon: str | None) -> None:
    bench = VirtualBench(daemon=daemon)
    bench.publish(topic, payload)
    bench.mute.add(topic)
    with pytest.raises(RefusedError, match="the collector main turns"):
        bench.go()
    assert bench.sent == []


def test_it_refuses_while_a_stop_contact_is_active() -> None:
    bench = VirtualBench()
    bench.publish("estop", "1", retained=True)
    with pytest.raises(RefusedError, match="stop contact emergency is active"):
        bench.go()
    assert bench.sent == []


def test_it_refuses_where_the_daemon_knows_no_such_collector() -> None:
    bench = VirtualBench()
    bench.publish("gatehand/online", "1", retained=True)
    with pytest.raises(RefusedError, match="says nothing of the collector main"):
        bench.go()


def test_nothing_moves_before_the_question_is_answered_with_yes() -> None:
    for answer in ("", "no", "ja", "quit"):
        bench = VirtualBench(person=lambda bench, _, answer=answer: bench.type(answer))  # type: ignore[misc]
        with pytest.raises(BrokenOffError):
            bench.go(yes=False)
        assert bench.sent == []
        assert CAUTIONS in bench.said
    nobody = VirtualBench()
    nobody.ask = nobody.said.append  # type: ignore[assignment, method-assign]
    with pytest.raises(BrokenOffError):
        nobody.go(yes=False)
    assert nobody.sent == []


def test_a_fan_that_starts_while_the_question_waits_is_refused() -> None:
    def person(bench: VirtualBench, _: str) -> None:
        bench.plan(1.0, lambda: bench.publish("c/state", "1"))
        bench.type("yes", after=2.0)

    bench = VirtualBench(person=person)
    with pytest.raises(RefusedError, match="the collector main turns"):
        bench.go(yes=False)
    assert bench.sent == []


def test_the_daemon_is_told_to_hold_before_anything_moves_and_the_hold_is_left() -> None:
    bench = VirtualBench(daemon="off")
    result = bench.go()
    assert bench.sent[0] == ("gatehand/collector/main/hold", "exercise")
    assert result.held == ("main",)
    assert not [topic for topic, _ in bench.sent if topic.endswith("/reset")]
    assert not [topic for topic, _ in bench.sent if topic == "c/set"]  # the collector is the daemon's


def test_a_daemon_that_does_not_hold_is_refused_before_anything_moves() -> None:
    bench = VirtualBench(daemon="off", holds=False)
    with pytest.raises(RefusedError, match="did not hold within 5 s"):
        bench.go()
    assert gate_commands(bench) == []


def test_a_collector_that_is_held_already_is_not_held_again() -> None:
    bench = VirtualBench(daemon="held")
    result = bench.go()
    assert (result.held, result.held_before) == ((), ("main",))
    assert bench.sent[0][0].startswith("g/")


def test_without_a_daemon_the_collector_is_told_off_and_its_coast_down_is_waited_for() -> None:
    bench = VirtualBench()
    began: list[float] = []

    def noted(outgoing: Outgoing) -> None:
        if outgoing.topic.startswith("g/"):
            began.append(bench.time)

    bench.before_send = noted
    bench.go()
    assert bench.sent[0] == ("c/set", "0")
    assert began[0] >= 1.5 + 5.0
    assert {payload for topic, payload in bench.sent if topic == "c/set"} == {"0"}


@pytest.mark.parametrize("daemon", [None, "off"])
def test_a_fan_that_turns_meanwhile_stops_it_and_gets_air(daemon: str | None) -> None:
    bench = VirtualBench(daemon=daemon)
    bench.plan(12.0, lambda: bench.publish("c/state", "1"))
    result = bench.go()
    assert result.stopped is not None
    assert "the collector main turns" in result.stopped
    assert bench.sent[-1][1] == "open"
    assert (("c/set", "0") in bench.sent[-3:]) is (daemon is None)
    assert "to give the fan air" in result.made_safe
    assert not result.ok


def test_a_stop_contact_stops_every_movement() -> None:
    bench = VirtualBench()
    bench.plan(12.0, lambda: bench.publish("estop", "1"))
    counts: list[int] = []
    bench.plan(12.0, lambda: counts.append(len(bench.sent)))
    result = bench.go()
    assert result.stopped is not None
    assert "stop contact" in result.stopped
    assert len(bench.sent) == counts[0]


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("gatehand/online", "0", "the daemon has gone away"),
        ("gatehand/collector/main", '{"state": "off"}', "no longer held"),
    ],
)
def test_a_hold_that_ends_meanwhile_stops_it(topic: str, payload: str, why: str) -> None:
    bench = VirtualBench(daemon="off")
    bench.plan(9.0, lambda: bench.publish(topic, payload))
    result = bench.go()
    assert result.stopped is not None
    assert why in result.stopped
    assert bench.shop.gates["band_saw"].position(bench.time + 5) == 0.0  # as it was found


def test_a_daemon_that_comes_up_meanwhile_stops_it() -> None:
    bench = VirtualBench()
    bench.plan(9.0, lambda: bench.publish("gatehand/online", "1"))
    result = bench.go()
    assert result.stopped == "a daemon has come up"


def test_breaking_off_leaves_the_gate_as_it_was_found() -> None:
    bench = VirtualBench(person=at_the_tools())
    bench.shop.gates["band_saw"].move_by_hand(to_open=True, at=0.0)
    bench.interrupt(after=20.0)
    result = bench.go()
    assert result.broken_off
    assert not result.ok
    bench.shop.advance(bench.time + 5)
    assert bench.shop.gates["band_saw"].position(bench.time + 5) == 1.0
