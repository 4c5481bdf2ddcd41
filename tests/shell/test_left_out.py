"""One JSON topic that says a state now and a button then: what a message leaves out is no mistake and changes nothing.

Per value: nothing there, null there, the wrong kind there are three different things.
"""

import json
from typing import Any

import pytest
from shell_support import World, active_config_of
from support.in_memory import InMemory

from gatehand.exercise.observed_state import ObservedState
from gatehand.journal.sentences import sentence
from gatehand.mqtt.inbox import Message
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev
from gatehand_rules.words import Position

SHOP = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan", pointer = "/on", on = true, off = false }
reset = { topic = "shop/fan", pointer = "/key", pressed = "down", released = "up" }
bin_full = { topic = "shop/fan", pointer = "/bin", active = "full", clear = "ok" }
coast_down = 2

[gate.saw]
command = { topic = "shop/gate/set", open = "open", shut = "shut" }
state = { topic = "shop/gate", pointer = "/position", open = "open", shut = "shut" }
button = { topic = "shop/gate", pointer = "/action", pressed = "single" }
travel = 1

[tool.saw]
gates = ["saw"]
current = { topic = "shop/saw", pointer = "/amps" }
start_amps = 2.5

[tool.lathe]
gates = ["saw"]
current = { topic = "shop/plugs", pointer = "/lathe" }
silent_after = 0
start_amps = 2.5

[tool.drill]
gates = ["saw"]
current = { topic = "shop/plugs", pointer = "/drill" }
start_amps = 2.5

[stop.emergency]
topic = "shop/stops"
pointer = "/stop"
active = "pressed"
clear = "free"

[stop.spark]
topic = "shop/stops"
pointer = "/spark"
active = "seen"
clear = "none"
"""
GATE, SAW, PLUGS, STOPS, FAN = "shop/gate", "shop/saw", "shop/plugs", "shop/stops", "shop/fan"


def listening(text: str = SHOP) -> Routes:
    return active_config_of(text).routes


def heard(routes: Routes, topic: str, *messages: dict[str, Any], retained: bool = False) -> list[ev.Event]:
    found: list[ev.Event] = []
    for message in messages:
        found += routes.events(topic, json.dumps(message).encode(), retained=retained, now=0.0) or ()
    return found


def rejected(events: list[ev.Event]) -> list[str]:
    return [one.why for one in events if isinstance(one, ev.MessageRejected)]


def test_a_day_of_states_and_presses_on_one_topic_rejects_nothing() -> None:
    routes = listening()
    day = [{"position": "shut"}, *[{"action": "single"}, {"action": "release"}, {"position": "open"}] * 20]
    events = heard(routes, GATE, *day)
    assert rejected(events) == []
    assert events.count(ev.ButtonPressed("saw")) == 20
    assert events.count(ev.GateReport("saw", Position.OPEN)) == 20
    assert routes.rejections.overdue(1000.0) == ()


def test_the_press_may_be_the_first_that_is_said() -> None:
    assert heard(listening(), GATE, {"action": "single"}) == [ev.ButtonPressed("saw")]


def test_the_order_of_the_keys_in_the_config_does_not_matter() -> None:
    """The button is read before the state that makes its absence no mistake."""
    text = SHOP.replace('pointer = "/position"', 'pointer = "/x"').replace(
        'pointer = "/action"', 'pointer = "/position"'
    )
    text = text.replace('pointer = "/x"', 'pointer = "/action"').replace('pressed = "single"', 'pressed = "open"')
    assert heard(listening(text), GATE, {"position": "open"}) == [ev.ButtonPressed("saw")]


@pytest.mark.parametrize("retained", [False, True])
def test_what_the_broker_keeps_may_leave_out_the_button(retained: bool) -> None:
    events = heard(listening(), GATE, {"position": "shut"}, retained=retained)
    assert events == [ev.GateReport("saw", Position.SHUT, retained)]


# Absent


def test_a_misspelt_pointer_of_a_topics_only_signal_is_rejected_and_says_what_is_there() -> None:
    events = heard(listening(), SAW, {"current": 4.2, "volt": 230})
    assert rejected(events) == ["current: nothing at /amps: there is no 'amps'; there is 'current', 'volt'"]


def test_where_no_pointer_of_a_topic_was_ever_found_each_is_rejected() -> None:
    whys = rejected(heard(listening(), GATE, {"pos": "open"}))
    assert [why.partition(":")[0] for why in whys] == ["state", "button"]
    assert all("there is 'pos'" in why for why in whys)


def test_what_is_left_out_beside_a_word_that_is_not_understood_is_no_second_mistake() -> None:
    (why,) = rejected(heard(listening(), GATE, {"position": [1]}))
    assert why.startswith("state: found a list")


def test_a_sensor_that_was_found_once_may_be_left_out() -> None:
    routes = listening()
    assert heard(routes, SAW, {"amps": 1}, {"rssi": -60}, {"amps": 2}) == [
        ev.Reading("saw", 1.0),
        ev.Reading("saw", 2.0),
    ]
    assert not routes.rejections.odd


def test_a_lone_buttons_misspelt_pointer_is_told_once_however_often_its_device_speaks() -> None:
    text = SHOP.replace('"shop/gate", pointer = "/action"', '"shop/knob", pointer = "/action"')
    routes = listening(text)
    events: list[ev.Event] = []
    for minute in range(10):
        events += routes.events("shop/knob", b'{"battery": 97}', retained=False, now=60.0 * minute) or ()
        events += routes.rejections.overdue(60.0 * minute)
    assert rejected(events) == ["button: nothing at /action: there is no 'action'; there is 'battery'"]
    assert heard(routes, "shop/knob", {"action": "release"}, {"battery": 97}) == []
    assert not routes.rejections.odd, "it is found now"
    assert heard(listening(text), "shop/knob", {"battery": 97}, retained=True) == [], "nobody has pressed it since"


def test_a_stop_contact_is_left_out_only_where_it_was_found_and_its_neighbour_speaks() -> None:
    routes = listening()
    assert rejected(heard(routes, STOPS, {"spark": "none"})) == [
        "contact: nothing at /stop: there is no 'stop'; there is 'spark'"
    ]
    assert heard(routes, STOPS, {"stop": "free", "spark": "none"})[0] == ev.StopReport("emergency", active=False)
    assert rejected(heard(routes, STOPS, {"spark": "none"}, {"stop": "pressed"})) == []
    assert not routes.rejections.odd
    heard(routes, STOPS, {"rssi": -60})
    assert len(routes.rejections.odd) == 2, "their words have changed: they stop nothing"


# Null, and the wrong kind


def test_null_of_a_sensor_is_rejected_and_says_that_its_device_does_not_know() -> None:
    routes = listening()
    heard(routes, SAW, {"amps": 1})
    (why,) = rejected(heard(routes, SAW, {"amps": None}))
    assert why == "current: found null at /amps where a number is wanted (its device does not know it)"


@pytest.mark.parametrize(
    ("topic", "message"), [(GATE, {"position": "open", "action": None}), (FAN, {"on": True, "key": None, "bin": "ok"})]
)
def test_null_of_a_button_is_no_press(topic: str, message: dict[str, Any]) -> None:
    events = heard(listening(), topic, message, message)
    assert rejected(events) == []
    assert not any(isinstance(one, ev.ButtonPressed | ev.ResetButton) for one in events)


def test_null_of_a_state_is_rejected_but_beside_other_words_of_a_device_that_has_said_it() -> None:
    assert len(rejected(heard(listening(), GATE, {"position": None, "action": "single"}))) == 1, "never said yet"
    routes = listening()
    heard(routes, GATE, {"position": "open"})
    assert heard(routes, GATE, {"position": None, "action": "single"}) == [ev.ButtonPressed("saw")]
    assert len(rejected(heard(routes, GATE, {"position": None}))) == 1


def test_null_of_a_stop_contact_is_always_told() -> None:
    routes = listening()
    heard(routes, STOPS, {"stop": "free", "spark": "none"})
    assert rejected(heard(routes, STOPS, {"stop": None, "spark": "none"})) == [
        "contact: found null at /stop where a word is wanted (its device does not know it)"
    ]


@pytest.mark.parametrize(
    ("topic", "message", "key"),
    [(SAW, {"amps": "4"}, "current"), (GATE, {"action": {}}, "button"), (GATE, {"position": [1]}, "state")],
)
def test_the_wrong_kind_is_rejected_where_the_right_one_was_found(
    topic: str, message: dict[str, Any], key: str
) -> None:
    routes = listening()
    heard(routes, topic, {"amps": 1, "action": "release", "position": "open"})
    (why,) = rejected(heard(routes, topic, message))
    assert why.startswith(f"{key}: found ")


# In the daemon


def beats(world: World, seconds: int, *said: tuple[str, dict[str, Any]]) -> World:
    for _ in range(seconds):
        world.run(1)
        for topic, message in said:
            world.say(topic, json.dumps(message))
        world.engine.beat()
    return world


def alarms(world: World) -> set[str]:
    return set(world.engine.publisher.alarms.raised)


ALL_WELL = (
    (SAW, {"amps": 0}),
    (PLUGS, {"lathe": 0, "drill": 0}),
    (STOPS, {"stop": "free", "spark": "none"}),
    (FAN, {"on": False, "bin": "ok", "key": "up"}),
    (GATE, {"position": "shut", "action": None}),
)


def test_a_shop_of_such_topics_is_all_well_in_log_and_status() -> None:
    world = beats(World(SHOP).connect(), 5, *ALL_WELL)
    beats(world, 100, *ALL_WELL[:3], (GATE, {"position": "shut"}), (FAN, {"on": False}))
    assert world.events("reading_rejected", "signal_unheard") == []
    assert not alarms(world)
    assert "unheard" not in world.shown("gate/saw")


def test_a_press_that_leaves_out_the_state_takes_no_proof_from_the_gate() -> None:
    world = beats(World(SHOP).connect(), 5, *ALL_WELL)
    world.say(GATE, '{"action": "single"}')
    world.say(GATE, '{"position": "open"}')
    world.run(1)
    assert ("shop/fan/set", "1") in world.commands()
    world.say(GATE, '{"action": "release"}')
    world.run(1)
    assert world.shown("gate/saw")["state"] == "open"
    assert world.shown("gate/saw")["proven"] is True


def test_a_device_that_leaves_a_sensor_out_for_long_is_told_by_what_it_says_instead() -> None:
    world = beats(World(SHOP).connect(), 5, *ALL_WELL)
    beats(world, 40, *ALL_WELL[2:], (SAW, {"amps": 0}), (PLUGS, {"lathe": 0}))
    found = world.shown("alarm/tool.drill.silent")
    assert found["because"] == (
        "The drill's device is heard, but without its current for 30 s: on shop/plugs it said '{\"lathe\": 0}' "
        "(nothing at /drill: there is no 'drill'; there is 'lathe')."
    )
    told = sentence(world.events("tool_silent")[-1])
    assert told.startswith("drill: its device is heard, but without its current for 30 s: on shop/plugs it said")
    beats(world, 2, *ALL_WELL)
    assert not alarms(world)
    again = sentence(world.events("tool_heard")[-1])
    assert again == "drill: its device is heard with its current again after 41 s: 0 A"


def test_a_sensor_that_was_called_silent_and_whose_device_then_says_other_things_is_told_so() -> None:
    world = beats(World(SHOP).connect(), 5, *ALL_WELL)
    beats(world, 40, *ALL_WELL[2:], (SAW, {"amps": 0}))
    assert "no reading from the drill's sensor on shop/plugs" in world.shown("alarm/tool.drill.silent")["because"]
    beats(world, 2, *ALL_WELL[2:], (SAW, {"amps": 0}), (PLUGS, {"lathe": 0}))
    assert "without its current for 30 s" in world.shown("alarm/tool.drill.silent")["because"]


def test_one_misspelt_pointer_of_several_is_told_a_minute_later_and_once() -> None:
    world = World(SHOP.replace('"/action"', '"/acton"')).connect()
    beats(world, 200, *ALL_WELL)
    (line,) = world.events("signal_unheard")
    assert sentence(line) == (
        "gate saw: never heard: shop/gate (button); what came there has nothing at /acton: there is no 'acton'; "
        "there is 'position', 'action'"
    )
    (shown,) = world.shown("gate/saw")["unheard"]
    assert shown.startswith("shop/gate (nothing at /acton: there is no 'acton'; there is 'position'")
    assert world.events("reading_rejected") == []
    assert not alarms(world), "a button may not have been pressed yet"


def test_one_misspelt_pointer_of_several_sensors_has_an_alarm_that_shows_what_is_there() -> None:
    text = SHOP.replace('"/drill"', '"/dril"').replace(
        "start_amps = 2.5\n\n[stop", "silent_after = 300\nstart_amps = 2.5\n\n[stop", 1
    )
    world = beats(World(text).connect(), 70, *ALL_WELL)
    found = world.shown("alarm/tool.drill.unheard")
    assert "nothing at /dril: there is no 'dril'; there is 'lathe', 'drill'" in found["because"]
    assert "Correct [tool.drill]" in found["next"]


def test_a_misspelt_stop_beside_another_is_told_at_once() -> None:
    world = beats(World(SHOP.replace('"/stop"', '"/stpo"')).connect(), 2, *ALL_WELL)
    assert "It stops nothing" in world.shown("alarm/stop.emergency.unheard")["because"]
    assert "alarm/stop.spark.unheard" not in alarms(world)


def test_what_was_found_in_an_earlier_run_may_be_left_out_from_the_start() -> None:
    memory = InMemory()
    beats(World(SHOP, memory=memory).connect(), 5, *ALL_WELL).engine.stop()
    assert memory.kept is not None
    assert "shop/gate#/action" in memory.kept.heard
    later = World(SHOP, memory=InMemory(memory.kept)).connect()
    beats(later, 100, *ALL_WELL[1:4], (SAW, {"rssi": -60}), (SAW, {"amps": 0}), (GATE, {"position": "shut"}))
    assert later.events("reading_rejected", "signal_unheard") == []
    moved = World(SHOP.replace('"/amps"', '"/amp"'), memory=InMemory(memory.kept)).connect()
    beats(moved, 2, *ALL_WELL)
    assert len(moved.events("reading_rejected")) == 1, "it is the pointer that was found"


def test_a_mended_pointer_and_an_edit_elsewhere_keep_what_was_found() -> None:
    before = listening()
    heard(before, GATE, {"position": "open"}, {"action": "single"})
    after = listening(SHOP.replace("travel = 1", "travel = 2"))
    after.take_over(before)
    assert heard(after, GATE, {"rssi": 1}) == []


def test_what_is_left_out_is_not_recorded() -> None:
    world = beats(World(SHOP).connect(), 2, *ALL_WELL)
    before = len(world.recorder.events)
    world.say(GATE, '{"rssi": -60}')
    assert len(world.recorder.events) == before


def test_a_message_that_leaves_out_the_current_does_not_answer_a_poll() -> None:
    polled = 'pointer = "/amps", poll = { topic = "shop/saw/get", payload = "?" }'
    routes = listening(SHOP.replace('pointer = "/amps"', polled))
    heard(routes, SAW, {"amps": 0})
    routes.asked("tool", "saw", "current", 0.0)
    assert heard(routes, SAW, {"rssi": -60}) == []
    assert heard(routes, SAW, {"amps": 6}) == [ev.Reading("saw", 6.0, young=True)]


def test_exercise_misses_a_button_whose_topic_speaks_of_other_things_only() -> None:
    seen = ObservedState(active_config_of(SHOP).config)
    seen.hear(Message(GATE, b'{"position": "shut"}', retained=False, received=0.0))
    assert ("gate", "button") in {(one.kind, one.key) for one in seen.unheard()}
    seen.hear(Message(GATE, b'{"action": "release"}', retained=False, received=0.0))
    assert ("gate", "button") not in {(one.kind, one.key) for one in seen.unheard()}
