"""The gates' part under virtual time: what is measured, what is found wrong, where gates are left."""

import pytest
from virtual_world import MECHANICAL, TEXT, VirtualWorld, at_the_tools

from gatehand.exercise.results import GateResult, How, Move, Result, proposal, proposals, text
from gatehand.mqtt.transport import Outgoing
from gatehand.simshop.gate import GateHabits, GateTrouble
from gatehand.simshop.sim_shop import Habits
from gatehand_rules.words import Position

GATES = ("band_saw", "planing", "router")


def of(result: Result, gate: str) -> GateResult:
    return next(each for each in result.gates if each.gate == gate)


def words(result: GateResult) -> str:
    return " ".join(remark.text for remark in result.remarks)


def test_sound_gates_are_measured_and_travel_is_proposed() -> None:
    result = VirtualWorld().go()
    saw = of(result, "band_saw")
    assert saw.how is How.REPORTED
    assert saw.times(Position.OPEN) == pytest.approx([1.2] * 5)
    assert saw.times(Position.SHUT) == pytest.approx([1.2] * 5)
    assert saw.proposal == 1.5  # 1.2 x 1.25
    assert not saw.remarks
    assert not result.stopped


def test_a_gate_is_told_open_and_shut_once_a_round() -> None:
    world = VirtualWorld()
    world.go(rounds=3)
    assert [payload for topic, payload in world.sent if topic == "g/band_saw/set"] == ["open", "shut"] * 3


@pytest.mark.parametrize(("longest", "travel"), [(1.5, 1.9), (0.03, 0.1), (1.2, 1.5), (1.6, 2.0), (8.0, 10.0)])
def test_the_proposal_is_the_longest_travel_and_a_quarter_rounded_up_to_a_tenth(longest: float, travel: float) -> None:
    moves = (Move(Position.OPEN, longest / 2), Move(Position.SHUT, longest), Move(Position.OPEN, None))
    assert proposal(moves) == travel
    assert proposal((Move(Position.OPEN, None),)) is None


def test_a_gate_slower_than_its_travel_allows_is_measured_and_fails() -> None:
    habits = Habits(gates={**MECHANICAL.gates, "band_saw": GateHabits(travel=2.4, delay=0.0)})
    saw = of(VirtualWorld(habits=habits).go(), "band_saw")
    assert saw.times(Position.OPEN) == pytest.approx([2.4] * 5)
    assert saw.failed
    assert "needs up to 2.40 s and travel allows 1.5 s" in words(saw)
    assert "Set travel = 3." in words(saw)


@pytest.mark.parametrize("trouble", [GateTrouble.JAM, GateTrouble.STALL, GateTrouble.NEVER])
def test_a_gate_that_never_reports_fails_and_is_given_up_early(trouble: GateTrouble) -> None:
    world = VirtualWorld()
    world.shop.gates["band_saw"].suffer(trouble, 0.0)
    result = world.go()
    saw = of(result, "band_saw")
    assert saw.failed
    assert "Nothing was reported on g/band_saw/state in 4 tries" in words(saw)
    assert saw.proposal is None
    assert not of(result, "planing").failed
    assert not result.ok


def speaks_at_once(world: VirtualWorld, word: str, after: float = 0.05) -> None:
    """The band saw's gate says this word as soon as it is told it, long before it has got there."""

    def hear(outgoing: Outgoing) -> None:
        if (outgoing.topic, outgoing.payload.decode()) == ("g/band_saw/set", word):
            world.plan(after, lambda: world.publish("g/band_saw/state", word))

    world.before_send = hear


@pytest.mark.parametrize(("word", "other"), [("shut", "open"), ("open", "shut")])
def test_a_report_that_comes_before_the_gate_can_have_moved_fails_and_proposes_nothing(word: str, other: str) -> None:
    world = VirtualWorld()
    speaks_at_once(world, word)
    result = world.go()
    saw = of(result, "band_saw")
    assert saw.failed
    assert (
        f"{word.capitalize()} was reported 0.05 s after it was told, before the gate can have moved: this word seems "
        f"to mean 'no longer {other}'" in words(saw)
    )
    assert f"Look for another word or pointer for fully {word}." in words(saw)
    assert saw.proposal is None
    assert "[gate.band_saw]" not in proposals(result)
    assert len(saw.moves) == 2, "what follows would be measured on a gate that has hardly moved"
    assert world.shop.gates["band_saw"].position(world.time) == 0.0


def test_a_slow_gate_that_speaks_too_soon_is_not_told_a_travel() -> None:
    slow = Habits(gates={**MECHANICAL.gates, "band_saw": GateHabits(travel=1.96, delay=0.0)})
    world = VirtualWorld(habits=slow)
    speaks_at_once(world, "shut")
    saw = of(world.go(), "band_saw")
    assert "It needs up to 1.96 s and travel allows 1.5 s" in words(saw)
    assert "Look at its words first" in words(saw)
    assert "travel =" not in words(saw)


@pytest.mark.parametrize(("word", "other"), [("shut", "open"), ("open", "shut")])
def test_a_way_much_shorter_than_the_way_back_is_to_be_looked_at(word: str, other: str) -> None:
    world = VirtualWorld()
    speaks_at_once(world, word, after=0.2)
    saw = of(world.go(), "band_saw")
    assert not saw.failed
    assert f"{word.capitalize()} was reported 0.20 s after it was told, {other} only after 1.20 s" in words(saw)
    assert f"unless the gate falls or springs {word}" in words(saw)
    assert saw.proposal is None


def test_a_quick_gate_is_sound() -> None:
    quick = Habits(gates={**MECHANICAL.gates, "band_saw": GateHabits(travel=0.12, delay=0.0)})
    saw = of(VirtualWorld(habits=quick).go(), "band_saw")
    assert not saw.remarks
    assert saw.proposal == 0.2  # 0.12 x 1.25, rounded up


def test_a_gate_that_does_not_answer_is_waited_for_aloud() -> None:
    world = VirtualWorld()
    world.shop.gates["band_saw"].suffer(GateTrouble.JAM, 0.0)
    world.go()
    here = world.said[world.said.index("Gate 1 of 3: band saw") : world.said.index("Gate 2 of 3: planing")]
    assert here[:2] == [
        "Gate 1 of 3: band saw",
        "  Told to open; waiting up to 6 s for its report.",
    ]
    assert here[2].startswith(
        '  Nothing was reported on g/band_saw/state; it was told "open" on g/band_saw/set. If it moved, look at its'
    )
    assert here[3:6] == [f"  Told to {to}; waiting up to 6 s for its report." for to in ("shut", "open", "shut")]
    planing = world.said[world.said.index("Gate 2 of 3: planing") : world.said.index("Gate 3 of 3: router")]
    assert planing[1:] == ["  Told to open; waiting up to 6 s for its report."], "one that answers is told once"


def test_the_gate_that_was_being_tried_has_its_row_when_it_is_broken_off() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.before_send = lambda each: (
        world.interrupt(after=0.5) if (each.topic, each.payload) == ("g/planing/set", b"shut") else None
    )
    result = world.go()
    planing = of(result, "planing")
    assert result.broken_off
    assert (planing.how, planing.left) == (How.BROKEN_OFF, None)
    assert planing.times(Position.OPEN) == pytest.approx([1.2])
    assert planing.proposal is None
    (row,) = (line for line in text(result).splitlines() if line.startswith("planing"))
    assert row.endswith("stopped early")


def test_reports_that_miss_now_and_then_are_counted() -> None:
    world = VirtualWorld()
    world.plan(8.0, lambda: world.mute.add("g/band_saw/state"))
    world.plan(11.0, lambda: world.mute.discard("g/band_saw/state"))
    saw = of(world.go(), "band_saw")
    assert saw.failed
    assert "brought no report" in words(saw)
    assert len(saw.times(Position.OPEN)) + len(saw.times(Position.SHUT)) < 10


@pytest.mark.parametrize("kind", ["state", "set"])
def test_swapped_gates_are_named(kind: str) -> None:
    text = TEXT
    if kind == "set":  # what the config calls the one gate's command is the other's
        text = (
            text.replace("g/band_saw/set", "X").replace("g/planing/set", "g/band_saw/set").replace("X", "g/planing/set")
        )
    world = VirtualWorld(
        text=text, reroute={"g/band_saw/state": "g/planing/state", "g/planing/state": "g/band_saw/state"}
    )
    result = world.go()
    assert "Swapped: when band saw was told to move, gate planing reported it" in words(of(result, "band_saw"))
    assert "Swapped: when planing was told to move, gate band saw reported it" in words(of(result, "planing"))
    assert not result.ok


def test_open_and_shut_swapped_in_a_gates_words_is_found() -> None:
    world = VirtualWorld()
    world.shop.gates["band_saw"].suffer(GateTrouble.WRONG, 0.0)
    saw = of(world.go(), "band_saw")
    assert saw.failed
    assert "It reports open when told to shut" in words(saw)


def test_a_gate_that_spells_its_words_otherwise_is_told_with_them() -> None:
    saw = of(VirtualWorld(spelling={"open": "Open", "shut": "CLOSED"}).go(), "band_saw")
    assert saw.failed
    assert (
        "It says 'Open' and 'CLOSED' on g/band_saw/state, which is neither its open nor its shut: if it means them "
        "by it, write its words into [gate.band_saw] state" in words(saw)
    )


def test_a_gate_that_says_where_it_is_on_its_way_is_sound() -> None:
    world = VirtualWorld()
    world.before_send = lambda _: world.plan(0.5, lambda: world.publish("g/band_saw/state", "moving"))
    assert not of(world.go(), "band_saw").failed


def test_a_gate_that_reports_twice_is_sound() -> None:
    world = VirtualWorld()
    world.shop.gates["band_saw"].suffer(GateTrouble.TWICE, 0.0)
    assert not of(world.go(), "band_saw").failed


def test_two_gates_that_answer_to_one_command_are_found() -> None:
    text = TEXT.replace("g/planing/set", "g/band_saw/set/2")
    world = VirtualWorld(text=text)
    planing = world.shop.gates["planing"]

    def both(outgoing: Outgoing) -> None:
        if outgoing.topic == "g/band_saw/set":
            planing.move_by_hand(to_open=outgoing.payload == b"open", at=world.time)

    world.before_send = both
    saw = of(world.go(), "band_saw")
    assert saw.failed
    assert "Gate planing reported as well" in words(saw)


def test_what_the_broker_had_against_a_command_is_told_once() -> None:
    world = VirtualWorld()
    world.objections["g/band_saw/set"] = "no device listens on 'g/band_saw/set'"
    world.shop.gates["band_saw"].suffer(GateTrouble.JAM, 0.0)
    assert words(of(world.go(), "band_saw")).count("No device listens on 'g/band_saw/set'.") == 1


def test_a_gate_found_open_is_left_open_and_one_not_known_is_left_shut() -> None:
    world = VirtualWorld()
    world.shop.gates["planing"].move_by_hand(to_open=True, at=0.0)
    result = world.go()
    assert (of(result, "planing").found, of(result, "planing").left) == (Position.OPEN, Position.OPEN)
    assert world.shop.gates["planing"].position(world.time) == 1.0
    assert world.shop.gates["band_saw"].position(world.time) == 0.0
    assert (of(result, "router").found, of(result, "router").left) == (None, Position.SHUT)
    assert world.shop.gates["router"].position(world.time) == 0.0


def test_a_gate_that_cannot_report_is_left_where_the_daemon_believes_it() -> None:
    """The daemon takes it for open until it tells it otherwise: left shut, a later start would blow against it."""
    world = VirtualWorld(daemon="off")
    world.publish("gatehand/gate/router", '{"state": "open"}', retained=True)
    result = world.go()
    assert of(result, "router").left is Position.OPEN
    assert world.shop.gates["router"].position(world.time) == 1.0


def test_a_gate_that_cannot_report_is_timed_by_the_person() -> None:
    result = VirtualWorld(person=at_the_tools()).go()
    router = of(result, "router")
    assert router.how is How.TIMED
    assert router.times(Position.OPEN) == pytest.approx([1.4])
    assert router.proposal == 1.8
    assert not router.failed


def test_a_gate_that_is_timed_goes_back_where_the_daemon_had_it() -> None:
    world = VirtualWorld(person=at_the_tools(), daemon="off")
    world.publish("gatehand/gate/router", '{"state": "open"}', retained=True)
    router = of(world.go(), "router")
    assert (router.how, router.left) == (How.TIMED, Position.OPEN)
    assert [payload for topic, payload in world.sent if topic == "g/router/set"] == ["0", "1", "0", "1"]


def test_a_gate_that_cannot_report_and_does_not_move_fails_by_the_persons_word() -> None:
    def person(world: VirtualWorld, question: str) -> None:
        world.type("no" if question.startswith("It is told to open") else "", after=1.0)

    router = of(VirtualWorld(person=person).go(), "router")
    assert router.failed
    assert "It did not open when told" in words(router)


def test_without_a_person_a_gate_that_cannot_report_is_moved_and_said_not_to_be_measured() -> None:
    world = VirtualWorld()
    router = of(world.go(), "router")
    assert router.how is How.UNSEEN
    assert "its travel was not measured" in words(router)
    assert not router.failed
    assert [payload for topic, payload in world.sent if topic == "g/router/set"] == ["1", "0"]


HAND = """
[gate.hose]
state = { topic = "g/hose/state", open = "open", shut = "shut" }
"""


def test_a_gate_moved_by_hand_is_asked_for_and_its_reports_are_tried() -> None:
    def person(world: VirtualWorld, question: str) -> None:
        if "gate hose by hand" in question:
            to_open = question.startswith("Open")
            world.plan(1.0, lambda: world.shop.gates["hose"].move_by_hand(to_open=to_open, at=world.time))
        world.type(after=4.0)

    world = VirtualWorld(person=person, text=TEXT + HAND)
    hose = of(world.go(), "hose")
    asked = [said for said in world.said if "gate hose by hand" in said]
    assert asked == [f"{verb} gate hose by hand, now (Enter when done; skip; quit)" for verb in ("Open", "Shut")]
    assert hose.how is How.BY_HAND
    assert not hose.failed
    unmoved = of(VirtualWorld(person=lambda world, _: world.type(), text=TEXT + HAND).go(), "hose")
    assert unmoved.failed
    nobody = of(VirtualWorld(text=TEXT + HAND).go(), "hose")
    assert nobody.how is How.SKIPPED
