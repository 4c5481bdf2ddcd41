"""What was never heard is told with its topic; what is not understood is never called silent."""

from collections.abc import Callable
from typing import Any

import pytest
from shell_support import SHOP, World, active_config_of
from support.in_memory import InMemory

from gatehand.journal.sentences import sentence
from gatehand_rules.reshape import Rewired, adopt_shop

STOP, SILENT, UNHEARD = "alarm/stop.emergency.unheard", "alarm/tool.router.silent", "alarm/tool.router.unheard"
GATE, FAN = "alarm/gate.band_saw.unheard", "alarm/collector.main.unheard"
ON_CHANGE = SHOP.replace("[tool.router]", "[tool.router]\nsilent_after = 0")
PATIENT = SHOP.replace("[tool.router]", "[tool.router]\nsilent_after = 300")
POINTED = SHOP.replace('"shop/router/amps"', '"shop/router/amps", pointer = "/amps"')


def beats(world: World, seconds: int, *, saying: Callable[[], None] = lambda: None) -> World:
    for _ in range(seconds):
        world.run(1)
        saying()
        world.engine.beat()
    return world


def swap(world: World, text: str) -> None:
    before, active = world.engine.active, active_config_of(text)
    world.engine.swap(active, adopt_shop(before.shop, active.shop, world.engine.state, world.engine.now(), Rewired()))


def alarm(world: World, topic: str) -> Any:  # noqa: ANN401 - JSON
    return world.shown(topic)


def test_a_stop_contact_that_was_never_heard_is_told_after_a_minute_with_the_broker_up() -> None:
    world = beats(World().connect(), 55)
    assert alarm(world, STOP) is None
    beats(world, 10)
    found = alarm(world, STOP)
    assert "shop/estop" in found["because"]
    assert "[stop.emergency]" in found["next"]
    assert found["topic"] == "shop/estop"
    assert (found["kind"], found["name"], found["what"]) == ("stop", "emergency", "unheard")


@pytest.mark.parametrize("word", ["0", "1", "pressed"])
@pytest.mark.parametrize("retained", [True, False])
def test_its_first_word_ends_the_alarm_whatever_it_is(word: str, retained: bool) -> None:
    world = beats(World().connect(), 70)
    assert alarm(world, STOP)
    world.say("shop/estop", word, retained=retained)
    beats(world, 2)
    assert alarm(world, STOP) is None
    beats(world, 120)
    assert alarm(world, STOP) is None


def test_time_without_the_broker_does_not_count() -> None:
    world = beats(World().connect(), 40)
    world.lose()
    beats(world, 300)
    world.connect()
    beats(world, 15)
    assert alarm(world, STOP) is None
    beats(world, 15)
    assert alarm(world, STOP)


def test_what_was_heard_on_that_topic_in_an_earlier_run_counts() -> None:
    memory = InMemory()
    first = World(memory=memory).connect(("shop/estop", "0"))
    first.engine.stop()
    later = beats(World(memory=InMemory(memory.kept)).connect(), 120)
    assert alarm(later, STOP) is None
    moved = SHOP.replace('"shop/estop"', '"shop/estpo"')
    other = beats(World(moved, memory=InMemory(memory.kept)).connect(), 120)
    assert "shop/estpo" in alarm(other, STOP)["because"], "it is the topic that was heard"


def test_a_saved_slip_in_a_topic_is_told_a_minute_later_and_its_mending_ends_it() -> None:
    world = beats(World().connect(("shop/estop", "0")), 120)
    swap(world, SHOP.replace('"shop/estop"', '"shop/estpo"'))
    beats(world, 55)
    assert alarm(world, STOP) is None
    beats(world, 10)
    assert "shop/estpo" in alarm(world, STOP)["because"]
    swap(world, SHOP)
    beats(world, 2)
    assert alarm(world, STOP) is None


def test_a_stop_that_the_config_has_no_more_leaves_no_alarm() -> None:
    world = beats(World().connect(), 70)
    assert alarm(world, STOP)
    swap(world, SHOP.partition("[stop.emergency]")[0])
    beats(world, 2)
    assert alarm(world, STOP) is None


def test_an_edit_elsewhere_does_not_begin_the_minute_anew() -> None:
    world = beats(World().connect(), 50)
    swap(world, SHOP.replace("run_on = 10", "run_on = 12"))
    beats(world, 15)
    assert alarm(world, STOP)


def test_a_silent_sensor_that_was_never_heard_has_one_alarm_which_names_its_topic() -> None:
    world = beats(World().connect(), 300)
    found = alarm(world, SILENT)
    assert "never been heard" in found["because"]
    assert "shop/router/amps" in found["because"]
    assert alarm(world, UNHEARD) is None


def test_a_sensor_that_may_be_silent_for_long_is_told_after_the_minute_until_it_is_called_silent() -> None:
    world = beats(World(PATIENT).connect(), 70)
    assert "shop/router/amps" in alarm(world, UNHEARD)["because"]
    beats(world, 300)
    assert alarm(world, UNHEARD) is None
    assert alarm(world, SILENT)


def test_a_sensor_on_change_and_a_button_are_only_shown() -> None:
    world = beats(World(ON_CHANGE).connect(("shop/estop", "0"), ("shop/fan/state", "0")), 120)
    assert [id_ for id_ in world.engine.publisher.alarms.raised if id_.endswith(".unheard")] == []
    assert world.shown("tool/router")["unheard"] == ["shop/router/amps"]
    assert world.shown("gate/band_saw")["unheard"] == ["shop/gate/band_saw/button"]
    told = {str(line["topic"]): sentence(line) for line in world.events("signal_unheard")}
    assert told["shop/gate/band_saw/button"] == "gate band saw: never heard: shop/gate/band_saw/button (button)"
    world.say("shop/gate/band_saw/button", "0")
    world.say("shop/router/amps", "0")
    beats(world, 2)
    assert "unheard" not in world.shown("tool/router")
    assert "unheard" not in world.shown("gate/band_saw"), "a button's release is a word too"


def test_a_gates_report_is_missed_only_after_it_was_told_to_open() -> None:
    world = beats(World().connect(("shop/estop", "0"), ("shop/fan/state", "0")), 120)
    assert alarm(world, GATE) is None, "it may have been shut before, and speak only on change"
    world.say("shop/band_saw/amps", "0")
    world.say("shop/band_saw/amps", "5")
    beats(world, 70, saying=lambda: world.say("shop/band_saw/amps", "5"))
    assert "shop/gate/band_saw/state" in alarm(world, GATE)["because"]
    world.say("shop/gate/band_saw/state", "shut")
    beats(world, 2)
    assert alarm(world, GATE) is None


def test_a_switch_that_was_told_off_only_is_not_missed() -> None:
    """It may have been off before, and speak only on change."""
    world = beats(World().connect(("shop/estop", "0"), ("shop/gate/band_saw/state", "shut")), 120)
    assert ("shop/fan/set", "0") in world.commands()
    assert alarm(world, FAN) is None


def test_a_switch_that_was_told_on_and_never_reported_is_missed() -> None:
    world = World().connect(("shop/estop", "0"), ("shop/gate/band_saw/state", "shut"))
    world.say("shop/band_saw/amps", "0")
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    beats(world, 70, saying=lambda: world.say("shop/band_saw/amps", "5"))
    assert "shop/fan/state" in alarm(world, FAN)["because"]


def test_a_sensor_that_speaks_and_is_not_understood_is_not_called_silent() -> None:
    world = World(POINTED).connect(("shop/estop", "0"))
    beats(world, 120, saying=lambda: world.say("shop/router/amps", '{"current": 4.2}'))
    found = alarm(world, SILENT)
    assert "no reading" not in found["because"]
    assert "shop/router/amps" in found["because"]
    assert '{"current": 4.2}' in found["because"]
    assert "/amps" in found["wanted"]
    assert alarm(world, UNHEARD) is None
    assert "not understood" in sentence(world.events("tool_silent")[-1])
    (raised,) = (sentence(line) for line in world.events("alarm_raised") if line["alarm"] == "tool.router.silent")
    assert raised == (
        'alarm for router: its sensor is heard, but not understood: on shop/router/amps it said {"current": 4.2} '
        "(nothing at /amps: there is no 'amps'; there is 'current')"
    )
    assert world.shown("tool/router")["not_understood"][0]["said"] == '{"current": 4.2}'
    assert world.shown("tool/router")["not_understood"][0]["key"] == "current"
    assert world.shown("tool/router")["state"] == "silent"
    world.say("shop/router/amps", '{"amps": 0}')
    beats(world, 2)
    assert sentence(world.events("tool_heard")[-1]) == (
        'router: its sensor is understood again after 2 min 1 s (it had said {"current": 4.2}): 0 A'
    )
    assert alarm(world, SILENT) is None
    assert "not_understood" not in world.shown("tool/router")


def test_what_a_silent_sensor_says_later_and_is_not_understood_is_shown_in_its_alarm() -> None:
    world = beats(World().rested(), 60)
    assert "no reading from the router's sensor on shop/router/amps" in alarm(world, SILENT)["because"]
    beats(world, 20, saying=lambda: world.say("shop/router/amps", "n/a"))
    assert "said 'n/a'" in alarm(world, SILENT)["because"]


def test_a_sensor_on_change_that_is_not_understood_is_told_after_a_minute() -> None:
    world = World(ON_CHANGE).rested()
    world.say("shop/router/amps", "unavailable")
    beats(world, 55)
    assert alarm(world, UNHEARD) is None
    beats(world, 10)
    assert "said 'unavailable'" in alarm(world, UNHEARD)["because"]
    world.say("shop/router/amps", "0")
    beats(world, 2)
    assert alarm(world, UNHEARD) is None


def test_a_stop_contact_of_another_shape_is_told_at_once() -> None:
    text = SHOP.replace('topic = "shop/estop"', 'topic = "shop/estop"\npointer = "/pressed"')
    world = World(text).connect(("shop/estop", '{"contact": 1}'))
    beats(world, 1)
    found = alarm(world, STOP)
    assert "It stops nothing" in found["because"]
    assert '{"contact": 1}' in found["because"]
    world.say("shop/estop", '{"pressed": 0}')
    beats(world, 2)
    assert alarm(world, STOP) is None


BUTTON = "shop/gate/band_saw/button"


def rejected(world: World) -> list[str]:
    return [str(line["shown"]) for line in world.events("reading_rejected") if line["gate"] == "band_saw"]


@pytest.mark.parametrize("words", [("PRESS", "RELEASE"), ("PRESS", "PRESS")])
def test_a_misspelt_button_word_is_told_once_with_what_came_and_what_was_wanted(words: tuple[str, str]) -> None:
    world = World().rested()
    for _ in range(50):
        for word in words:
            world.say(BUTTON, word)
            world.run(1)
        world.engine.beat()
    assert rejected(world) == [words[1]]
    told = sentence(world.events("reading_rejected")[-1])
    assert "want '1'" in told
    assert world.shown("gate/band_saw")["not_understood"] == [
        {
            "key": "button",
            "topic": BUTTON,
            "said": words[1],
            "why": "found another word and never yet the one for pressed, want '1'",
        }
    ]
    world.say(BUTTON, "1")
    beats(world, 2)
    assert "not_understood" not in world.shown("gate/band_saw")


def test_a_button_that_says_pressed_and_released_by_turns_is_not_nagged_about() -> None:
    world = World().rested()
    world.say(BUTTON, "0")  # as a device does when it has just started
    for _ in range(50):
        world.say(BUTTON, "1")
        world.run(1)
        world.say(BUTTON, "0")
        world.run(1)
    assert rejected(world) == []


def test_a_button_of_which_the_broker_keeps_the_release_is_not_nagged_about() -> None:
    world = World()
    for _ in range(5):
        world.connect((BUTTON, "0"))
        world.lose()
    assert rejected(world) == []


TALKATIVE = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
state = { topic = "c/state", on = "1", off = "0" }
current = { topic = "c/amps" }
bin_full = { topic = "c/bin", active = "1", clear = "0" }
reset = { topic = "c/reset", pressed = "1", released = "0" }
online = { topic = "c/online", active = "1", clear = "0" }

[gate.saw]
command = { topic = "g/set", open = "open", shut = "shut" }
state = { topic = "g/state", open = "open", shut = "shut" }
button = { topic = "g/button", pressed = "1" }
online = { topic = "g/online", active = "1", clear = "0" }

[tool.saw]
gates = ["saw"]
current = { topic = "t/amps" }
start_amps = 2.5
online = { topic = "t/online", active = "1", clear = "0" }
"""


def test_every_signal_of_the_config_is_missed_but_a_fans_before_its_first_start() -> None:
    """Whatever a device can say, by the config's own list of it. The gate is told at the start where to stand."""
    active = active_config_of(TALKATIVE)
    world = beats(World(TALKATIVE).connect(), 70)
    missed = {
        topic for kind in ("collector/main", "gate/saw", "tool/saw") for topic in world.shown(kind).get("unheard", ())
    }
    said = {one.topic for one in active.config.signals() if one.heard is not None}
    assert missed == said - {"c/state", "c/amps"}


def test_a_wrong_word_that_comes_again_is_told_though_its_other_word_is_right_until_both_were_heard() -> None:
    text = SHOP.replace(
        'current = { topic = "shop/router/amps" }',
        'running = { topic = "shop/router/on", active = "ON", clear = "OFF" }',
    ).replace("start_amps = 2\n", "")
    world = beats(World(text).connect(("shop/router/on", "OFF")), 2)
    for word in ("On", "OFF"):
        world.say("shop/router/on", word)
        beats(world, 3)
    assert alarm(world, UNHEARD) is None, "once may be a slip"
    for word in ("On", "OFF"):
        world.say("shop/router/on", word)
        beats(world, 3)
    found = alarm(world, UNHEARD)
    assert (found["topic"], found["says"], found["wanted"]) == (
        "shop/router/on",
        "On",
        "found another word, want 'ON' or 'OFF'",
    )
    assert world.shown("tool/router")["not_understood"][0]["said"] == "On"
    world.say("shop/router/on", "OFF")
    beats(world, 2)
    assert alarm(world, UNHEARD), "its right word for the one is not mended by it"
    for word in ("ON", "OFF"):
        world.say("shop/router/on", word)
        beats(world, 2)
    assert alarm(world, UNHEARD) is None
    assert "not_understood" not in world.shown("tool/router")


def test_a_value_that_came_with_each_message_and_no_longer_does_is_told() -> None:
    text = SHOP.replace('topic = "shop/estop"', 'topic = "shop/box"\npointer = "/stop"').replace(
        '"shop/router/amps"', '"shop/box", pointer = "/amps"'
    )
    assert text.count("shop/box") == 2
    world = World(text).connect()
    beats(world, 12, saying=lambda: world.say("shop/box", '{"stop": "0", "amps": 0}'))
    assert alarm(world, STOP) is None
    beats(world, 50, saying=lambda: world.say("shop/box", '{"estop": "0", "amps": 0}'))
    assert alarm(world, STOP) is None
    beats(world, 20, saying=lambda: world.say("shop/box", '{"estop": "0", "amps": 0}'))
    found = alarm(world, STOP)
    assert found["topic"] == "shop/box"
    assert "/stop" in found["wanted"]
    beats(world, 2, saying=lambda: world.say("shop/box", '{"stop": "0", "amps": 0}'))
    assert alarm(world, STOP) is None
    beats(world, 200, saying=lambda: world.say("shop/box", '{"amps": 0}'))
    assert alarm(world, STOP) is None, "it leaves things out at times"
