"""The device of a stop contact is gone: an alarm that outlives renames and restarts, and stops and refuses nothing."""

from pathlib import Path

import pytest
from shell_support import SHOP, World
from test_reload import Edited

ALARM = "alarm/stop.emergency.offline"
ONLINE = 'online = { topic = "shop/estop/online", active = "1", clear = "0" }\n'
SPARK = '\n[stop.spark]\ntopic = "shop/spark"\nactive = "1"\nclear = "0"\n'
TEXT = SHOP.replace('topic = "shop/estop"\n', 'topic = "shop/estop"\n' + ONLINE)


@pytest.fixture
def world() -> World:
    return World(TEXT).rested()


@pytest.fixture
def edited(tmp_path: Path) -> Edited:
    made = Edited(tmp_path, TEXT + SPARK)
    made.world.rested()
    return made


def test_its_alarm_says_that_the_wired_stop_is_what_is_left(world: World) -> None:
    world.say("shop/estop/online", "0")
    shown = world.shown(ALARM)
    assert "has left the network" in shown["because"]
    assert "must be wired to the contactor" in shown["next"]
    assert [line["stop"] for line in world.events("device_offline")] == ["emergency"]
    world.say("shop/estop/online", "1")
    assert world.shown(ALARM) is None


def test_a_cut_is_served_as_ever(world: World) -> None:
    world.say("shop/estop/online", "0")
    began = world.clocks.now
    world.say("shop/router/amps", "3")
    world.run(2)
    assert ("shop/fan/set", "1") in world.commands(began)


def test_one_that_was_gone_before_the_daemons_start_is_told_at_once() -> None:
    world = World(TEXT)
    world.connect(("shop/fan/state", "0"), ("shop/estop", "0"), ("shop/estop/online", "0"))
    assert world.shown(ALARM) is not None


def test_a_word_of_its_device_that_is_not_understood_is_not_taken_for_the_contacts(world: World) -> None:
    for _ in range(3):
        world.say("shop/estop/online", "perhaps")
    world.run(61)
    world.engine.beat()
    assert world.shown("alarm/stop.emergency.unclear") is None
    shown = world.shown("alarm/stop.emergency.unheard")
    assert "on shop/estop/online it said 'perhaps'" in shown["because"]
    assert "It stops nothing" not in shown["because"]
    assert "(online: topic, pointer, words)" in shown["next"]


def test_a_device_that_has_not_said_yet_that_it_is_there_is_no_alarm(world: World) -> None:
    world.say("shop/estop", "0")
    world.run(70)
    world.engine.beat()
    assert world.shown("alarm/stop.emergency.unheard") is None


def test_a_stop_under_another_name_is_still_gone(edited: Edited) -> None:
    """The broker tells its retained word only once."""
    edited.world.say("shop/estop/online", "0")
    edited.edit("[stop.emergency]", "[stop.button]")
    assert edited.world.shown(ALARM) is None
    assert edited.world.shown("alarm/stop.button.offline") is not None
    edited.world.say("shop/estop/online", "1")
    assert edited.world.shown("alarm/stop.button.offline") is None


def test_of_two_stops_that_change_names_the_one_that_is_gone_is_shown(edited: Edited) -> None:
    edited.edit('topic = "shop/spark"\n', 'topic = "shop/spark"\n' + ONLINE.replace("estop", "spark"))
    edited.world.say("shop/estop/online", "0")
    swapped = edited.file.read_text().replace("[stop.emergency]", "[stop.x]")
    edited.write(swapped.replace("[stop.spark]", "[stop.emergency]").replace("[stop.x]", "[stop.spark]"))
    assert edited.world.shown(ALARM) is None
    assert edited.world.shown("alarm/stop.spark.offline") is not None


def test_a_stop_under_another_name_whose_device_is_watched_elsewhere_now_counts_as_there(edited: Edited) -> None:
    edited.world.say("shop/estop/online", "0")
    text = edited.file.read_text().replace("[stop.emergency]", "[stop.button]")
    edited.write(text.replace("shop/estop/online", "shop/estop/here"))
    assert edited.world.shown("alarm/stop.button.offline") is None
