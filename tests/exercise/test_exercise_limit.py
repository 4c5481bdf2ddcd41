"""`exercise --limit`: the switch that goes off by itself and the one that does not, and every way in which it may end.

Each test looks at every command that leaves: the fan is switched on only with a gate open, and no gate shuts while it
turns or coasts down.
"""

import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from virtual_world import MECHANICAL, TEXT, VirtualWorld

from gatehand.exercise import limit_result
from gatehand.exercise.limit_result import SeenBy
from gatehand.exercise.supervisor import BrokenOffError, RefusedError
from gatehand.exercise.time_limit import BROKER_BACK_WITHIN, SEEN_WITHIN
from gatehand.mqtt.transport import Outgoing
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateTrouble

ON, OFF = ("c/set", "1"), ("c/set", "0")
NO_STATE = TEXT.replace('state = { topic = "c/state", on = "1", off = "0" }\n', "", 1)
NO_MOTOR = TEXT.replace('current = { topic = "c/amps" }\n', "", 1)
BLIND = NO_STATE.replace('current = { topic = "c/amps" }\n', "", 1)
RUNS = 15.0
"""Seconds after the beginning at which the fan surely turns: what is retained, coast-down, a gate's way."""


class World(VirtualWorld):
    """Looks at each command as it leaves."""

    def __init__(
        self, limit: float = 45.0, *, text: str = TEXT, fan: CollectorHabits | None = None, **more: object
    ) -> None:
        fan = replace(fan or CollectorHabits(), limit=limit)
        super().__init__(text=text, habits=replace(MECHANICAL, collectors={"main": fan}), **more)  # type: ignore[arg-type]
        self.at: list[tuple[float, tuple[str, str]]] = []
        self.before_send = self._look

    def _look(self, outgoing: Outgoing) -> None:
        command = outgoing.topic, outgoing.payload.decode()
        self.at.append((self.time, command))
        needed = self.config.collector["main"].min_open
        is_open = [gate.position(self.time) == 1.0 for gate in self.shop.gates.values()]
        if command == ON:
            assert sum(is_open) >= needed, "switched on against shut gates"
        if command[1] == "shut" and self.fan.speed(self.time) > 0:
            raise AssertionError("a gate is told shut while the fan turns")

    @property
    def fan(self):  # type: ignore[no-untyped-def]  # noqa: ANN201
        return self.shop.collectors["main"]

    def stands(self) -> bool:
        """What was sent last has arrived, and the motor has no voltage."""
        self.shop.advance(self.time + 1)
        return not self.fan.powered

    def count(self, command: tuple[str, str]) -> int:
        return self.sent.count(command)

    def when(self, command: tuple[str, str]) -> float:
        """Of the last such command."""
        return max(at for at, sent in self.at if sent == command)

    def after_on(self) -> list[tuple[str, str]]:
        return self.sent[self.sent.index(ON) + 1 :]


def shown(world: VirtualWorld, **how: object) -> str:
    """One line of all that is said in the end."""
    return " ".join(limit_result.text(world.limit(**how)).split())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "by", "fan"),
    [
        (TEXT, SeenBy.STATE, CollectorHabits()),
        (NO_MOTOR, SeenBy.STATE, CollectorHabits(retains=False)),
        (NO_STATE, SeenBy.MOTOR, CollectorHabits(every=1.0)),
    ],
)
def test_a_switch_with_a_limit_is_measured_without_a_refresh(text: str, by: SeenBy, fan: CollectorHabits) -> None:
    world = World(45.0, text=text, fan=fan)
    result = world.limit()
    assert result.ok, limit_result.text(result)
    assert result.limit == pytest.approx(45.0, abs=0.1)
    assert (result.seen_by, result.gates, world.count(ON)) == (by, ("band_saw",), 1)
    assert world.after_on() == [("g/band_saw/set", "shut")], "no off is needed, and the gate goes back as it was found"
    assert world.when(("g/band_saw/set", "shut")) >= world.when(ON) + 45 + world.config.collector["main"].coast_down
    said = " ".join(limit_result.text(result).split())
    assert f'The switch of main went off by itself {result.limit:.1f} s after the "on", seen by its' in said
    found = json.loads(json.dumps(limit_result.as_json(result)))
    assert (found["ok"], found["within"], found["refresh"], found["gates"]) == (True, 60.0, 20.0, ["band_saw"])
    assert (found["limit"], found["seen_by"], found["proposed_refresh"]) == (result.limit, str(by), 20.0)


def test_a_switch_without_one_is_switched_off_and_told() -> None:
    world = World(0.0)
    result = world.limit()
    assert not result.ok
    assert result.limit is None
    assert world.when(OFF) == pytest.approx(world.when(ON) + 60, abs=0.1)
    assert world.stands()
    assert world.after_on() == [OFF, ("g/band_saw/set", "shut")]
    said = " ".join(limit_result.text(result).split())
    assert 'FAILED: This switch has no time limit: it was still on 60 s after the "on" (3 x refresh of 20 s)' in said
    assert said.endswith("Not all is well.")


def test_a_limit_beyond_three_refreshes_counts_as_none() -> None:
    assert World(61.0).limit().limit is None
    assert World(59.5).limit().limit == pytest.approx(59.5, abs=0.1)


@pytest.mark.parametrize(
    ("limit", "ok", "words"),
    [
        (15.0, False, "Its limit is shorter than refresh = 20 s: it goes off in mid-cut."),
        (15.0, False, "or refresh = 6."),
        (30.0, True, "One refresh that gets lost switches it off in mid-cut."),
        (30.0, True, "or refresh = 13."),
    ],
)
def test_a_limit_that_does_not_fit_the_refresh_is_told_with_one_that_does(limit: float, ok: bool, words: str) -> None:
    result = World(limit).limit()
    assert result.ok is ok
    assert result.limit == pytest.approx(limit, abs=0.1)
    assert words in " ".join(limit_result.text(result).split())


def seldom(world: World) -> World:
    """Its motor's sensor speaks every 7 s, and of no change by itself."""
    world.mute.add("c/amps")
    world._reroute["slow"] = "c/amps"  # noqa: SLF001
    for second in range(0, 110, 7):
        world.plan(second + 0.5, lambda: world.publish("slow", f"{world.fan.reads(world.time):.2f}"))
    return world


def test_a_switch_that_is_off_just_in_time_is_believed_when_the_motor_has_followed() -> None:
    found = [seldom(World(limit)).limit() for limit in (55.0, 56.5, 58.0, 59.5)]
    assert [each.limit for each in found] == pytest.approx([55.0, 56.5, 58.0, 59.5], abs=0.1)
    assert all(each.seen_by is SeenBy.STATE for each in found)


def test_another_fan_that_turns_meanwhile_ends_it() -> None:
    second = (
        '[collector.sander]\ncommand = { topic = "c2/set", on = "1", off = "0" }\nmin_open = 0\n'
        'state = { topic = "c2/state", on = "1", off = "0" }\n[tool.sander]\ncollector = "sander"\n'
        'current = { topic = "t/sander/amps" }\nstart_amps = 2\n'
    )
    text = TEXT.replace('state = { topic = "g/', 'collector = "main"\nstate = { topic = "g/')
    text = text.replace('command = { topic = "g/router', 'collector = "main"\ncommand = { topic = "g/router') + second
    world = World(0.0, text=text)
    world.plan(RUNS + 10, lambda: world.publish("c2/state", "1"))
    assert "STOPPED: the collector sander turns" in shown(world)
    assert world.when(OFF) == pytest.approx(RUNS + 10, abs=0.1), "at once"
    assert world.stands()


def test_a_sensor_that_speaks_seldom_leaves_a_span() -> None:
    world = seldom(World(45.0, text=NO_STATE))
    result = world.limit()
    assert result.seen_by is SeenBy.MOTOR
    assert result.limit is not None
    assert result.last_on is not None
    assert result.last_on <= 45.0 <= result.limit <= result.last_on + 7.01
    assert f"(it was last seen on at {result.last_on:.1f} s)" in " ".join(limit_result.text(result).split())


def test_nothing_to_see_it_by_wants_a_person_who_watches() -> None:
    def person(world: VirtualWorld, question: str) -> None:
        world.type("yes" if "Type yes" in question else "", after=1.0 if "Type yes" in question else 45.0)

    result = World(45.0, text=BLIND, person=person).limit(yes=False)
    assert (result.limit, result.seen_by, result.ok) == (45.0, SeenBy.EYE, True)
    world = World(45.0, text=BLIND)
    with pytest.raises(RefusedError, match="somebody has to watch it"):
        world.limit()
    assert ON not in world.sent

    def leaves(world: VirtualWorld, question: str) -> None:
        world.type("yes") if "Type yes" in question else world.leave(after=5.0)

    world = World(0.0, text=BLIND, person=leaves)
    result = world.limit(yes=False)
    assert "nobody is there any more" in str(result.stopped)
    assert world.stands()


def test_what_is_none_of_the_answers_is_told_and_ends_no_measurement() -> None:
    def person(world: VirtualWorld, question: str) -> None:
        if question.startswith("Has the fan"):
            world.type("ja", after=1.0)
        elif question.startswith("Switched on; quit switches it off at once (Enter the moment that"):
            world.type("it runs", after=5.0)
        else:
            world.type("yes" if "(yes; no; quit)" in question else "", after=1.0 if "(yes;" in question else 40.0)

    world = World(45.0, text=BLIND, person=person)
    result = world.limit(yes=False)
    assert (result.limit, result.seen_by, result.ok) == (45.0, SeenBy.EYE, True)
    assert [said for said in world.said if "is not an answer here" in said] == [
        '"ja" is not an answer here (yes; no; quit)',
        '"it runs" is not an answer here (Enter the moment that the fan goes off by itself; quit)',
    ]


@pytest.mark.parametrize(("typed", "why"), [("skip", "could not be proven open"), ("", "could not be proven open")])
def test_a_gate_that_a_hand_moves_and_that_reports_nothing_starts_no_fan(typed: str, why: str) -> None:
    def person(world: VirtualWorld, question: str) -> None:
        world.type("yes" if "Type yes" in question else typed, after=1.0)

    by_hand = TEXT.replace('command = { topic = "g/band_saw/set", open = "open", shut = "shut" }\n', "")
    by_hand = by_hand.replace('command = { topic = "g/planing/set", open = "open", shut = "shut" }\n', "")
    world = World(
        text=by_hand[: by_hand.index("[gate.router]")]
        + by_hand[by_hand.index("[tool.band_saw]") :].replace(
            '[tool.router]\ngates = ["router"]', '[tool.router]\ngates = ["planing"]'
        ),
        person=person,
    )
    result = world.limit(yes=False)
    assert why in str(result.stopped)
    assert any(
        said.startswith("Gate band saw is moved by hand: shut it and open it once (Enter when done;")
        for said in world.said
    )
    assert ON not in world.sent


def test_it_says_before_it_begins_that_only_the_limit_ends_the_fan_of_a_killed_program() -> None:
    for yes in (True, False):
        world = World(person=lambda world, _: world.type("no"))
        if yes:
            world.limit(yes=True)
        else:
            with pytest.raises(BrokenOffError):
                world.limit(yes=False)
            assert world.sent == []
        said = " ".join(" ".join(world.said).split())
        assert "killed meanwhile, or the network fails, nothing but the switch's own limit ends the fan" in said
        assert "not a lockout" in said


Trouble = Callable[[World], None]


@pytest.mark.parametrize(
    ("happens", "why"),
    [
        (lambda world: world.publish("estop", "1"), "stop contact emergency is active"),
        (lambda world: world.publish("g/band_saw/state", "shut"), "gate band saw is no longer open"),
        (lambda world: world.publish("g/band_saw/state", "37"), "gate band saw is no longer open"),
        (lambda world: world.publish("gatehand/online", "1"), "a daemon has come up"),
        (lambda world: world.interrupt(), "Stopped early."),
        (lambda world: world.type("quit"), "Stopped early."),
    ],
)
def test_whatever_ends_it_before_its_time_sends_off_first_and_shuts_no_gate(happens: Trouble, why: str) -> None:
    world = World(0.0, person=lambda world, _: world.type("yes"))
    world.plan(RUNS, lambda: happens(world))
    said = shown(world, yes=False)
    assert why in said, said
    assert world.after_on()[0] == OFF
    assert world.when(ON) < RUNS
    assert [at for at, command in world.at if command == OFF][-1] == pytest.approx(RUNS, abs=0.05)
    assert world.stands()
    assert ("g/band_saw/set", "shut") not in world.after_on()
    assert ("g/band_saw/set", "open") in world.after_on() or "Gate band saw was left as it is" in said
    assert "switched off" in said


def test_a_gate_that_is_lost_gets_told_open_again_after_the_off() -> None:
    world = World(0.0)
    world.plan(RUNS, lambda: world.publish("g/band_saw/state", "shut"))
    assert "Gate band saw was told to open, to give the fan air." in shown(world)
    assert world.after_on() == [OFF, ("g/band_saw/set", "open")]


@pytest.mark.parametrize("back", [True, False])
def test_a_lost_broker_is_brought_the_off_over_another_connection(back: bool) -> None:
    world = World(0.0)
    world.broker_comes_back = back
    world.lose_broker(after=RUNS)
    said = shown(world)
    assert "STOPPED: the broker is gone (test)." in said
    if back:
        assert world.sent_anew == [OFF]
        assert world.stands()
        assert "Off was sent to main over a new connection." in said
    else:
        assert world.time >= RUNS + BROKER_BACK_WITHIN
        assert "only a time limit of its own ends the fan: switch the collector main off at its own switch" in said
    assert "Gates were left as they are." in said


def test_a_mistake_of_ours_leaves_no_fan_on() -> None:
    world = World(0.0)
    say = world.say

    def fails(text: str) -> None:
        if text.startswith("It runs"):
            raise ZeroDivisionError
        say(text)

    world.say = fails  # type: ignore[method-assign]
    with pytest.raises(ZeroDivisionError):
        world.limit()
    assert world.after_on()[0] == OFF
    assert world.stands()


def test_a_gate_that_cannot_be_proven_open_starts_no_fan() -> None:
    world = World()
    world.shop.gates["band_saw"].suffer(GateTrouble.JAM, 0.0)
    said = shown(world)
    assert "gate band saw could not be proven open, so the fan was not started" in said
    assert "gatehand exercise band_saw" in said
    assert ON not in world.sent
    assert world.sent[-1] == ("g/band_saw/set", "shut")


def test_as_many_gates_are_opened_as_the_fan_needs_and_one_that_cannot_report_last() -> None:
    world = World(text=TEXT.replace("coast_down = 5", "coast_down = 5\nmin_open = 3"))
    result = world.limit()
    assert result.ok, limit_result.text(result)
    assert result.gates == ("band_saw", "planing", "router")
    world = World(text=TEXT.replace("coast_down = 5", "coast_down = 5\nmin_open = 3"))
    world.plan(20.0, lambda: world.publish("g/planing/state", "shut"))
    assert "gate planing is no longer open" in shown(world)
    assert world.stands()


def test_a_gate_that_stands_open_already_is_proven_anew_and_left_open() -> None:
    world = World()
    world.shop.gates["band_saw"].move_by_hand(to_open=True, at=0.0)
    world.shop.advance(2.0)
    world.time = 2.0
    world.publish("g/band_saw/state", "open", retained=True)
    assert world.limit().ok
    told = [payload for topic, payload in world.sent if topic == "g/band_saw/set"]
    assert told == ["shut", "open", "open"]


def test_a_switch_that_is_not_seen_on_is_told_off_and_named() -> None:
    world = World()
    world.mute |= {"c/state", "c/amps"}
    said = shown(world)
    assert f"nothing showed within {SEEN_WITHIN:g} s that it turns" in said
    assert world.count(OFF) >= 3
    assert "was not seen to go off" in said
    assert world.stands()
    world = World()
    world.objections["c/set"] = "no device listens on 'c/set'"
    world.fan.deaf = True
    assert "no device listens on 'c/set'" in shown(world)


def test_a_welded_contact_keeps_the_gate_open_and_sends_somebody_to_the_breaker() -> None:
    world = World(0.0)
    world.plan(RUNS, lambda: world.fan.weld(world.time))
    said = shown(world)
    assert 'STOPPED: the fan of main was not seen to stop after the "off".' in said
    assert "switch the collector main off at its own switch or its breaker" in said
    assert world.after_on() == [OFF, OFF, OFF], "three tellings, and no gate moves"


def test_a_switch_that_says_off_while_the_motor_draws_on_is_told() -> None:
    world = World(45.0, fan=CollectorHabits(reports_contact=False))
    world.plan(RUNS, lambda: world.fan.weld(world.time))
    assert "but the motor draws on: a contact may be welded" in shown(world)


def test_a_motor_that_stops_under_a_switch_that_is_on_is_no_limit() -> None:
    world = World(0.0)
    world.plan(RUNS, lambda: world.fan.trip(world.time))
    said = shown(world)
    assert "its switch reports on: look at the motor's overload" in said
    assert "no time limit" not in said


def test_one_contrary_word_is_no_limit() -> None:
    world = World(0.0)
    world.plan(RUNS, lambda: world.publish("c/state", "0"))
    world.plan(RUNS, lambda: world.publish("c/amps", "0"))
    world.plan(RUNS + 0.5, lambda: world.publish("c/state", "1"))
    result = world.limit()
    assert result.limit is None
    assert "no time limit" in limit_result.text(result)


@pytest.mark.parametrize(
    ("before", "held", "why"),
    [
        (
            [("gatehand/online", "1"), ("gatehand/collector/main", '{"state": "off"}')],
            None,
            "the daemon is running and would switch the fan off",
        ),
        (
            [("gatehand/online", "0"), ("gatehand/collector/main", '{"state": "held", "held": "filter change"}')],
            None,
            r"main is on hold \(filter change\), and a hold outlives the daemon",
        ),
        ([], "emergency", r"main is on hold \(emergency\)"),
        ([("bin", "1")], None, "the bin of main is full"),
        ([("estop", "1")], None, "stop contact emergency is active"),
        ([("c/state", "1")], None, "the collector main turns"),
    ],
)
def test_it_refuses_where_the_fan_must_not_start(before: list[tuple[str, str]], held: str | None, why: str) -> None:
    full = 'coast_down = 5\nbin_full = { topic = "bin", active = "1", clear = "0" }'
    world = World(text=TEXT.replace("coast_down = 5", full))
    for topic, payload in before:
        world.publish(topic, payload, retained=True)
        world.mute.add(topic)
    with pytest.raises(RefusedError, match=why):
        world.limit(held=held)
    assert world.sent == []


def test_somebody_who_switches_the_fan_on_again_in_its_coast_down_keeps_its_gate() -> None:
    world = World(45.0)
    world.plan(RUNS + 42.0, lambda: world.fan.switch_by_hand(on=True, at=world.time))
    said = shown(world)
    assert "the collector main turns" in said
    assert ("g/band_saw/set", "shut") not in world.after_on()
