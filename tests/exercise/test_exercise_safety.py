"""What must be so before anything moves, and what stops it: under virtual time."""

import pytest
from virtual_world import VirtualWorld, at_the_tools

from gatehand.exercise.supervisor import BrokenOffError, RefusedError
from gatehand.exercise.walk import CAUTIONS
from gatehand.mqtt.transport import Outgoing

HOLD = "gatehand/collector/main/hold"
BEGINS, ENDS = (HOLD, '{"because": "exercise", "by": "exercise"}'), (HOLD, '{"because": "exercise"}')


def gate_commands(world: VirtualWorld) -> list[tuple[str, str]]:
    return [sent for sent in world.sent if sent[0].startswith("g/")]


@pytest.mark.parametrize("state", ["opening", "spin_up", "running", "run_on", "coast_down", "unheard of"])
def test_it_refuses_while_the_daemon_runs_a_collector(state: str) -> None:
    world = VirtualWorld(daemon=state)
    with pytest.raises(RefusedError, match="the daemon is running the collector main"):
        world.go()
    assert world.sent == []


def test_the_daemons_word_is_told_in_plain_words() -> None:
    with pytest.raises(RefusedError, match=r"running the collector main \(it is coasting down\); wait until it is off"):
        VirtualWorld(daemon="coast_down").go()


@pytest.mark.parametrize(("topic", "payload"), [("c/state", "1"), ("c/amps", "6.5")])
@pytest.mark.parametrize("daemon", [None, "off", "held"])
def test_it_refuses_while_a_fan_is_seen_to_turn(topic: str, payload: str, daemon: str | None) -> None:
    world = VirtualWorld(daemon=daemon)
    world.publish(topic, payload)
    world.mute.add(topic)
    with pytest.raises(RefusedError, match="the collector main turns"):
        world.go()
    assert world.sent == []


def test_it_refuses_while_a_stop_contact_is_active() -> None:
    world = VirtualWorld()
    world.publish("estop", "1", retained=True)
    with pytest.raises(RefusedError, match="stop contact emergency is active"):
        world.go()
    assert world.sent == []


def test_it_refuses_where_the_daemon_knows_no_such_collector() -> None:
    world = VirtualWorld()
    world.publish("gatehand/online", "1", retained=True)
    with pytest.raises(RefusedError, match="does not show the collector main"):
        world.go()


def test_nothing_moves_before_the_question_is_answered_with_yes() -> None:
    for answers in (("no",), ("", "n"), ("ja", "yess", "quit"), ("skip", "Q")):
        told = iter(answers)
        world = VirtualWorld(person=lambda world, _, told=told: world.type(next(told)))  # type: ignore[misc]
        with pytest.raises(BrokenOffError):
            world.go(yes=False)
        assert world.sent == []
        assert CAUTIONS in world.said
        again = [said for said in world.said if "is not an answer here" in said]
        assert again == [f'"{answer}" is not an answer here (yes; no; quit)' for answer in answers[:-1]]
    nobody = VirtualWorld()
    nobody.ask = nobody.said.append  # type: ignore[assignment, method-assign]
    with pytest.raises(BrokenOffError):
        nobody.go(yes=False)
    assert nobody.sent == []


def test_a_fan_that_starts_while_the_question_waits_is_refused() -> None:
    def person(world: VirtualWorld, _: str) -> None:
        world.plan(1.0, lambda: world.publish("c/state", "1"))
        world.type("yes", after=2.0)

    world = VirtualWorld(person=person)
    with pytest.raises(RefusedError, match="the collector main turns"):
        world.go(yes=False)
    assert world.sent == []


def test_the_daemon_is_told_to_hold_before_anything_moves_and_the_hold_is_left() -> None:
    world = VirtualWorld(daemon="off")
    result = world.go()
    assert (world.sent[0], world.sent[-1]) == (BEGINS, ENDS)
    assert result.held == ("main",)
    assert not [topic for topic, _ in world.sent if topic.endswith("/reset")]
    assert not [topic for topic, _ in world.sent if topic == "c/set"]  # the collector is the daemon's


def test_a_daemon_that_does_not_hold_is_refused_before_anything_moves() -> None:
    world = VirtualWorld(daemon="off", holds=False)
    with pytest.raises(RefusedError) as refused:
        world.go()
    assert str(refused.value) == (
        "refused: the daemon did not hold within 5 s; check whether this user may write gatehand/collector/main/hold, "
        "and whether the daemon has this config. Nothing was moved."
    )
    assert gate_commands(world) == []


def test_a_collector_that_is_held_already_is_not_held_again() -> None:
    world = VirtualWorld(daemon="held")
    result = world.go()
    assert (result.held, result.held_before) == ((), ("main",))
    # It learns who moves its gates from then on, and keeps the reason of its hold.
    assert world.sent[0] == BEGINS
    assert world.sent[1][0].startswith("g/")
    assert world.sent[-1] == ENDS


def test_without_a_daemon_the_collector_is_told_off_and_its_coast_down_is_waited_for() -> None:
    world = VirtualWorld()
    began: list[float] = []

    def noted(outgoing: Outgoing) -> None:
        if outgoing.topic.startswith("g/"):
            began.append(world.time)

    world.before_send = noted
    world.go()
    assert world.sent[0] == ("c/set", "0")
    assert began[0] >= 1.5 + 5.0
    assert {payload for topic, payload in world.sent if topic == "c/set"} == {"0"}


@pytest.mark.parametrize("daemon", [None, "off"])
def test_a_fan_that_turns_meanwhile_stops_it_and_gets_air(daemon: str | None) -> None:
    world = VirtualWorld(daemon=daemon)
    world.plan(12.0, lambda: world.publish("c/state", "1"))
    result = world.go()
    assert result.stopped is not None
    assert "the collector main turns" in result.stopped
    assert gate_commands(world)[-1][1] == "open"
    assert (world.sent[-1] == ENDS) is (daemon is not None)
    assert (("c/set", "0") in world.sent[-3:]) is (daemon is None)
    assert "to give the fan air" in result.made_safe
    assert not result.ok


def test_a_stop_contact_stops_every_movement() -> None:
    world = VirtualWorld()
    world.plan(12.0, lambda: world.publish("estop", "1"))
    counts: list[int] = []
    world.plan(12.0, lambda: counts.append(len(world.sent)))
    result = world.go()
    assert result.stopped is not None
    assert "stop contact" in result.stopped
    assert len(world.sent) == counts[0]


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("gatehand/online", "0", "the daemon has gone away"),
        ("gatehand/collector/main", '{"state": "off"}', "no longer on hold"),
    ],
)
def test_a_hold_that_ends_meanwhile_stops_it(topic: str, payload: str, why: str) -> None:
    world = VirtualWorld(daemon="off")
    world.plan(9.0, lambda: world.publish(topic, payload))
    result = world.go()
    assert result.stopped is not None
    assert why in result.stopped
    assert world.shop.gates["band_saw"].position(world.time + 5) == 0.0  # as it was found


def test_a_daemon_that_comes_up_meanwhile_stops_it() -> None:
    world = VirtualWorld()
    world.plan(9.0, lambda: world.publish("gatehand/online", "1"))
    result = world.go()
    assert result.stopped == "a daemon has come up"


def test_breaking_off_leaves_the_gate_as_it_was_found() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.shop.gates["band_saw"].move_by_hand(to_open=True, at=0.0)
    world.interrupt(after=20.0)
    result = world.go()
    assert result.broken_off
    assert not result.ok
    world.shop.advance(world.time + 5)
    assert world.shop.gates["band_saw"].position(world.time + 5) == 1.0
