"""Stop contacts, reset buttons and hand buttons, each pressed once: what is heard, or what came instead."""

import json
from collections.abc import Callable, Mapping

import pytest
from virtual_world import TEXT, VirtualWorld

from gatehand.exercise import results
from gatehand.exercise.one_press import CAUTION
from gatehand.exercise.results import PressResult, Result

PRESSED = (
    TEXT.replace("coast_down = 5", 'coast_down = 5\nreset = { topic = "c/reset", pressed = "down", released = "up" }')
    .replace(
        "travel = 2\n", 'travel = 2\nbutton = { topic = "g/router/button", pointer = "/action", pressed = "single" }\n'
    )
    .replace('topic = "estop"', 'topic = "estop"\npointer = "/s"')
)
SINGLE = '{"action": "single"}'
Does = Callable[[VirtualWorld], None]


def says(topic: str, payload: str, after: float = 1.0) -> Does:
    return lambda world: world.plan(after, lambda: world.publish(topic, payload))


def both(*parts: Does) -> Does:
    def do(world: VirtualWorld) -> None:
        for part in parts:
            part(world)

    return do


def enter(world: VirtualWorld) -> None:
    world.type(after=3.0)


WELL: Mapping[str, Does] = {
    "Press the stop": says("estop", '{"s": 1}'),
    "Release the stop": says("estop", '{"s": 0}'),
    "Press the button": says("g/router/button", SINGLE),
    "Press the reset": both(says("c/reset", "down"), says("c/reset", "up", 1.6)),
}


def world(daemon: str | None = None, **instead: Does) -> VirtualWorld:
    """A person who presses what he is asked for; `instead`: stop, release, button or reset, done otherwise."""
    keys = {
        "stop": "Press the stop",
        "release": "Release the stop",
        "button": "Press the button",
        "reset": "Press the reset",
    }
    does = {**WELL, **{keys[key]: do for key, do in instead.items()}}

    def person(world: VirtualWorld, question: str) -> None:
        for key, do in does.items():
            if question.startswith(key):
                do(world)
                return
        world.type("yes" if "Type yes" in question else "", after=0.5)

    return VirtualWorld(person=person, daemon=daemon, text=PRESSED)


def pressed(found: VirtualWorld) -> Result:
    return found.go(gates=False, presses=True, yes=False)


def of(result: Result, key: str) -> PressResult:
    return next(each for each in result.presses if each.key == key)


def words(press: PressResult) -> str:
    return " ".join(remark.text for remark in press.remarks)


@pytest.mark.parametrize("daemon", [None, "off", "held"])
def test_each_is_asked_for_once_and_told_with_its_topic_and_word(daemon: str | None) -> None:
    found = world(daemon)
    result = pressed(found)
    assert result.ok, results.text(result)
    assert [(each.key, each.topic, each.heard) for each in result.presses] == [
        ("contact", "estop", ("1", "0")),
        ("button", "g/router/button", ("single",)),
        ("reset", "c/reset", ("down", "up")),
    ]
    assert CAUTION in found.said
    assert "safety device" in CAUTION
    assert "nobody at a machine" in " ".join(CAUTION.split())
    rows = [" ".join(line.split()) for line in results.text(result).splitlines()]
    assert "stop contact emergency estop '1', '0' OK" in rows
    assert "button of gate router g/router/button 'single' OK" in rows
    assert "reset button of collector main c/reset 'down', 'up' OK" in rows
    assert json.loads(json.dumps(results.as_json(result, found.config)))["presses"][0] == {
        "ok": True,
        "kind": "stop",
        "name": "emergency",
        "key": "contact",
        "topic": "estop",
        "tried": True,
        "heard": ["1", "0"],
        "remarks": [],
    }


@pytest.mark.parametrize(
    ("key", "instead", "wanted"),
    [
        ("contact", {"stop": enter}, "Nothing came on estop: look at that topic in [stop.emergency]"),
        (
            "contact",
            {"stop": both(says("estop", '{"s": "PRESSED"}'), enter)},
            "On estop came 'PRESSED', which is neither its active '1' nor its clear '0'",
        ),
        (
            "contact",
            {"stop": both(says("estop", '{"state": 1}'), enter)},
            "What came on estop cannot be read: ",
        ),
        (
            "contact",
            {"stop": both(says("c/reset", "down"), enter)},
            "the reset button of collector main said 'down' on c/reset",
        ),
        ("button", {"button": enter}, "Nothing came on g/router/button: look at that topic in [gate.router]"),
        (
            "button",
            {"button": both(says("g/router/button", '{"action": "double"}'), enter)},
            "On g/router/button came 'double', which is not its pressed 'single'",
        ),
        ("reset", {"reset": enter}, "Nothing came on c/reset: look at that topic in [collector.main]"),
        (
            "reset",
            {"reset": both(says("c/reset", "push"), enter)},
            "which is neither its pressed 'down' nor its released 'up'",
        ),
        ("reset", {"reset": says("c/reset", "down")}, "Its released 'up' never came on c/reset"),
        ("reset", {"reset": both(says("c/reset", "down"), says("c/reset", "up", 1.02))}, "words came 0.020 s apart"),
    ],
)
def test_what_was_not_heard_is_told_with_what_came_instead(key: str, instead: Mapping[str, Does], wanted: str) -> None:
    result = pressed(world(None, **instead))
    assert of(result, key).failed
    assert wanted in words(of(result, key)), words(of(result, key))
    assert not result.ok
    assert [each.key for each in result.presses if each.failed] == [key]


def test_a_long_press_of_a_reset_is_something_to_look_at() -> None:
    result = pressed(world(reset=both(says("c/reset", "down"), says("c/reset", "up", 4.0))))
    assert result.ok
    assert "held for 3.0 s: a reset counts when it is held for 0.1 to 2 s" in words(of(result, "reset"))


def test_a_contact_that_speaks_by_the_clock_is_heard_all_the_same() -> None:
    by_the_clock = (says("estop", '{"s": 0}', second + 0.5) for second in range(4))
    result = pressed(world(stop=both(*by_the_clock, says("estop", '{"s": 1}', 4.2))))
    assert result.ok, results.text(result)
    assert set(of(result, "contact").heard) == {"0", "1"}


def test_swapped_words_are_told_where_the_contact_says_clear_when_pressed() -> None:
    result = pressed(world(stop=both(says("estop", '{"s": 0}'), enter)))
    assert "exchange the words in [stop.emergency]" in words(of(result, "contact"))
    assert not result.ok


def test_swapped_words_of_a_retained_contact_are_told_where_it_is_refused() -> None:
    found = world()
    found.publish("estop", '{"s": 1}', retained=True)
    with pytest.raises(Exception, match=r"words active and clear are swapped in \[stop.emergency\]"):
        pressed(found)
    assert found.sent == []


@pytest.mark.parametrize("daemon", [None, "off"])
def test_nothing_moves_while_a_stop_stays_active(daemon: str | None) -> None:
    found = world(daemon, release=enter)
    result = found.go(gates=True, presses=True, yes=False)
    assert "Released, it still says '1' on estop, not its clear '0'" in words(of(result, "contact"))
    assert result.stopped is not None
    assert "stop contact emergency is active" in result.stopped
    assert not [topic for topic, _ in found.sent if topic.startswith("g/")]


def test_the_press_of_a_reset_ends_no_hold() -> None:
    found = world("held")
    found.plan(0, lambda: found.publish("gatehand/collector/main", '{"state": "held", "held": "filter change"}'))

    def daemon_lets_it_go(world: VirtualWorld) -> None:
        WELL["Press the reset"](world)
        world.plan(1.6, lambda: world.daemon_shows("coast_down"))  # the release came before our word
        world.plan(1.7, lambda: world.publish("gatehand/collector/main", '{"state": "held", "held": "exercise"}'))

    found = world("held", reset=daemon_lets_it_go)
    result = pressed(found)
    assert result.ok, results.text(result)
    assert ("gatehand/collector/main/hold", '{"because": "exercise", "by": "exercise"}') in found.sent
    assert (result.held, result.held_before) == (("main",), ())


def test_a_hold_that_the_press_ended_and_that_does_not_come_again_stops_it() -> None:
    def daemon_lets_it_go(world: VirtualWorld) -> None:
        WELL["Press the reset"](world)
        world.plan(2.0, lambda: world.daemon_shows("off"))

    result = pressed(world("off", reset=daemon_lets_it_go))
    assert result.stopped is not None
    assert "no longer on hold" in result.stopped


def test_a_fan_that_starts_while_a_button_is_pressed_stops_it() -> None:
    result = pressed(world(button=says("c/state", "1")))
    assert result.stopped is not None
    assert "the collector main turns" in result.stopped


def test_without_a_person_or_with_yes_they_are_said_to_be_not_tried() -> None:
    alone = VirtualWorld(text=PRESSED)
    result = alone.go(gates=False, presses=True, yes=True)
    assert result.ok
    assert [each.tried for each in result.presses] == [False, False, False]
    assert any("stop contact emergency: not tried" in text for text in alone.said)
    text = results.text(result)
    assert "not tried" in text
    assert "what was left out is not proven" in text


def test_skip_and_quit_are_heard() -> None:
    result = pressed(world(stop=lambda world: world.type("s"), button=lambda world: world.type("skip")))
    assert [each.tried for each in result.presses] == [False, False, True]
    assert pressed(world(stop=lambda world: world.type("quit"))).broken_off


def test_with_yes_nobody_is_asked_though_somebody_is_there() -> None:
    found = world()
    result = found.go(gates=False, presses=True, yes=True)
    assert [each.tried for each in result.presses] == [False, False, False]
    assert not any(text.startswith("Press the") for text in found.said)


def test_a_word_that_the_broker_had_kept_is_no_press() -> None:
    def kept(world: VirtualWorld) -> None:
        world.plan(1.0, lambda: world.publish("g/router/button", SINGLE, retained=True))
        enter(world)

    assert "Nothing came on g/router/button" in words(of(pressed(world(button=kept)), "button"))
