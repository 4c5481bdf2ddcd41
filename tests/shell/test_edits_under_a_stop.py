"""An edit never ends a hold: each kind of edit while a stop contact stands active, on the engine of the daemon."""

from pathlib import Path

import pytest
from shell_support import SHOP, World
from test_reload import Edited

from gatehand_rules.state import Held, collector_word

FAN = "shop/fan/set"
STOP = '[stop.emergency]\ntopic = "shop/estop"\nactive = "1"\nclear = "0"\n'

LATHE = """
[collector.lathe]
command = { topic = "shop/lathe_fan/set", on = "1", off = "0" }
coast_down = 2

[gate.lathe]
collector = "lathe"
command = { topic = "shop/gate/lathe/set", open = "open", shut = "shut" }
travel = 1

[tool.lathe]
gates = ["lathe"]
current = { topic = "shop/lathe/amps" }
start_amps = 3
run_on = 0
"""
TWO = (
    SHOP.replace("[gate.band_saw]\n", '[gate.band_saw]\ncollector = "main"\n').replace(
        "[gate.bench]\n", '[gate.bench]\ncollector = "main"\n'
    )
    + LATHE
)
ONLY_MAIN = TWO.replace('clear = "0"\n', 'clear = "0"\ncollectors = ["main"]\n')


def word(world: World, name: str = "main") -> str:
    at = world.engine.active.shop.collector_at(name)
    assert at is not None
    seen, guard = world.engine.state.collectors[at], world.engine.state.guard.fans[at]
    assert isinstance(seen.phase, Held) is guard.latched, "the two layers disagree"
    return collector_word(seen)


def reset(world: World, name: str = "main") -> None:
    world.run(2.5)
    world.say(f"gatehand/collector/{name}/reset", "1")
    world.run(0.1)


def cut(world: World) -> list[tuple[str, str]]:
    """A fresh cut of the band saw, its gate opens; what is sent in the next seconds."""
    world.say("shop/band_saw/amps", "0")
    world.run(15)
    since = world.clocks.now
    world.say("shop/band_saw/amps", "6")
    world.run(0.5)
    world.say("shop/gate/band_saw/state", "open")
    world.run(3)
    return world.commands(since)


def lathe_cuts(world: World) -> list[tuple[str, str]]:
    world.say("shop/lathe/amps", "0")
    world.run(3)
    since = world.clocks.now
    world.say("shop/lathe/amps", "6")
    world.run(4)
    return world.commands(since)


def stopped(folder: Path, text: str = SHOP) -> Edited:
    """At rest, and then somebody strikes the stop."""
    edited = Edited(folder, text)
    edited.world.rested()
    edited.world.say("shop/estop", "1")
    edited.world.say("shop/fan/state", "0")
    edited.world.run(5)
    assert word(edited.world) == "held"
    return edited


def serves_after_a_reset(world: World, name: str = "main") -> None:
    """It was held all the time; a reset is possible, and then a fresh cut is served."""
    assert word(world, name) == "held"
    assert (FAN, "1") not in cut(world)
    reset(world, name)
    assert word(world, name) != "held"
    assert (FAN, "1") in cut(world)


# --- the stop itself is edited


def test_a_stop_whose_table_is_removed_leaves_its_collectors_held(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    edited.without("stop.emergency")
    assert edited.outcome["ok"] is True
    assert edited.world.shown("alarm/stop.emergency.active") is None
    serves_after_a_reset(edited.world)


def test_a_stop_that_is_renamed_is_active_still(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    edited.edit("[stop.emergency]", "[stop.red_button]")
    world = edited.world
    reset(world)
    assert word(world) == "held", "its contact is active, whatever the table is called"
    assert world.shown("alarm/stop.emergency.active") is None
    assert world.shown("alarm/stop.red_button.active")["because"]
    world.say("shop/estop", "0")
    world.run(3)
    assert world.shown("alarm/stop.red_button.active") is None
    serves_after_a_reset(world)


def test_a_second_table_for_the_same_contact_is_active_with_the_first(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    edited.edit(STOP, STOP + "\n" + STOP.replace("emergency", "again"))
    assert edited.world.shown("alarm/stop.again.active") is not None
    edited.without("stop.emergency")
    reset(edited.world)
    assert word(edited.world) == "held"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('active = "1"\nclear = "0"', 'active = "0"\nclear = "1"'),
        ('topic = "shop/estop"', 'topic = "shop/estop_2"'),
    ],
    ids=["swapped words", "another topic"],
)
def test_a_stop_that_is_mended_keeps_the_hold_until_a_reset_and_no_longer(tmp_path: Path, old: str, new: str) -> None:
    """Swapped words, or a contact that has died on active, must not be a deadlock."""
    edited = stopped(tmp_path)
    edited.edit(old, new)
    assert edited.outcome["ok"] is True
    assert edited.world.shown("alarm/stop.emergency.active") is None
    serves_after_a_reset(edited.world)


def test_a_mended_stop_that_says_active_keeps_the_hold(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    world = edited.world
    edited.edit('active = "1"\nclear = "0"', 'active = "0"\nclear = "1"')
    world.say("shop/estop", "0", retained=True)
    reset(world)
    assert word(world) == "held"
    world.say("shop/estop", "1")
    serves_after_a_reset(world)


def test_no_reset_counts_while_a_mended_stop_may_still_say_what_is_retained(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    world = edited.world
    edited.edit('active = "1"\nclear = "0"', 'active = "on"\nclear = "off"')
    world.run(1.9)
    world.say("gatehand/collector/main/reset", "1")
    assert word(world) == "held"
    assert world.events("reset_refused")[-1]["rule"] == "stop_unread"


def test_a_word_that_a_mended_stop_now_understands_ends_the_alarm(tmp_path: Path) -> None:
    edited = Edited(tmp_path)
    world = edited.world.rested()
    world.say("shop/estop", "pressed")
    world.run(1)
    assert world.shown("alarm/stop.emergency.unclear") is not None
    edited.edit('active = "1"', 'active = "pressed"')
    world.run(3)
    assert world.shown("alarm/stop.emergency.unclear") is None


# --- who comes under a stop


def test_a_collector_added_under_a_stop_without_a_list_is_held(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    edited.write(TWO)
    world = edited.world
    assert word(world, "lathe") == "held"
    assert ("shop/lathe_fan/set", "1") not in lathe_cuts(world)
    reset(world, "lathe")
    assert word(world, "lathe") == "held"
    world.say("shop/estop", "0")
    reset(world, "lathe")
    assert ("shop/lathe_fan/set", "1") in lathe_cuts(world)
    assert word(world) == "held", "each is reset for itself"


def test_a_collector_added_to_the_list_of_an_active_stop_is_held_and_told_off_if_it_runs(tmp_path: Path) -> None:
    edited = stopped(tmp_path, ONLY_MAIN)
    world = edited.world
    assert ("shop/lathe_fan/set", "1") in lathe_cuts(world)
    since = world.clocks.now
    edited.edit('collectors = ["main"]', 'collectors = ["main", "lathe"]')
    assert word(world, "lathe") == "held"
    assert ("shop/lathe_fan/set", "0") in world.commands(since)
    assert world.shown("alarm/collector.lathe.held") is not None
    world.run(5)
    assert ("shop/lathe_fan/set", "1") not in lathe_cuts(world)


def test_a_collector_taken_off_the_list_of_an_active_stop_is_held_until_a_reset(tmp_path: Path) -> None:
    edited = stopped(tmp_path, TWO)
    edited.edit('clear = "0"\n', 'clear = "0"\ncollectors = ["lathe"]\n')
    assert word(edited.world, "lathe") == "held"
    serves_after_a_reset(edited.world)


# --- the collector is edited


def test_a_renamed_collector_is_known_by_its_command_topic_and_stays_held(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    world = edited.world
    edited.edit("[collector.main]", "[collector.cyclone]")
    assert edited.outcome["ok"] is True
    assert word(world, "cyclone") == "held"
    assert world.shown("alarm/collector.main.held") is None
    assert "emergency" in world.shown("alarm/collector.cyclone.held")["because"]
    reset(world, "cyclone")
    assert word(world, "cyclone") == "held"
    world.say("shop/estop", "0")
    serves_after_a_reset(world, "cyclone")
    assert world.shown("alarm/collector.cyclone.held") is None


def test_a_renamed_collector_goes_on_running(tmp_path: Path) -> None:
    edited = Edited(tmp_path)
    world = edited.world.cutting()
    since = world.clocks.now
    edited.edit("[collector.main]", "[collector.cyclone]")
    world.run(5)
    assert edited.outcome["ok"] is True
    assert word(world, "cyclone") == "running"
    assert world.commands(since) == []
    assert not world.events("command_vetoed")
    world.say("shop/band_saw/amps", "0")
    world.run(11)
    assert world.commands(since) == [(FAN, "0")]


def test_two_collectors_that_swap_their_names_keep_their_own_holds(tmp_path: Path) -> None:
    edited = stopped(tmp_path, ONLY_MAIN)
    world = edited.world
    swapped = ONLY_MAIN.replace("[collector.main]", "[collector.x]").replace("[collector.lathe]", "[collector.main]")
    swapped = swapped.replace("[collector.x]", "[collector.lathe]")
    swapped = swapped.replace('collector = "lathe"', 'collector = "x"').replace(
        'collector = "main"', 'collector = "lathe"'
    )
    swapped = swapped.replace('collector = "x"', 'collector = "main"').replace('["main"]', '["lathe"]')
    edited.write(swapped)
    assert edited.outcome["ok"] is True
    assert (word(world, "lathe"), word(world)) == ("held", "off")
    assert world.shown("alarm/collector.main.held") is None
    assert world.shown("alarm/collector.lathe.held") is not None
    world.say("shop/estop", "0")
    serves_after_a_reset(world, "lathe")


def test_a_held_collector_is_not_removed_before_its_reset(tmp_path: Path) -> None:
    edited = stopped(tmp_path, TWO)
    world = edited.world
    world.run(30)
    edited.write(SHOP)
    assert edited.outcome["ok"] is False
    assert edited.outcome["waits_for"] == ["the collector lathe is removed while it is on hold: reset first"]
    world.say("shop/estop", "0")
    reset(world, "lathe")
    world.run(5)
    edited.write(SHOP + "\n")
    assert edited.outcome["ok"] is True
    assert world.engine.active.shop.collector_at("lathe") is None


def test_other_topics_under_the_same_name_keep_the_hold(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    edited.world.run(10)
    edited.edit("shop/fan/set", "shop/fan_2/set")
    assert word(edited.world) == "held"
    reset(edited.world)
    assert word(edited.world) == "held"


RESET = 'reset = { topic = "shop/reset", pressed = "1", released = "0" }'


def press(world: World, pressed: str = "1", released: str = "0") -> None:
    world.say("shop/reset", pressed)
    world.run(0.5)
    world.say("shop/reset", released)


def test_another_word_for_pressed_does_not_end_a_press_that_had_begun(tmp_path: Path) -> None:
    edited = stopped(tmp_path, SHOP.replace("spin_up = 1", f"{RESET}\nspin_up = 1"))
    world = edited.world
    world.say("shop/estop", "0")
    world.say("shop/reset", "0")
    world.say("shop/reset", "1")
    world.run(0.5)
    edited.edit('pressed = "1", released = "0"', 'pressed = "0", released = "1"')
    world.say("shop/reset", "1")
    assert word(world) == "held"
    press(world, "0", "1")
    assert word(world) != "held"


def test_a_button_that_an_edit_adds_ends_a_hold_of_before(tmp_path: Path) -> None:
    edited = stopped(tmp_path)
    world = edited.world
    world.say("shop/estop", "0")
    edited.edit("spin_up = 1", f"{RESET}\nspin_up = 1")
    press(world)
    assert word(world) == "held", "nothing shows yet that it was not pressed all the time"
    press(world)
    assert word(world) != "held"


# --- a new stop


def test_a_new_stop_that_says_nothing_delays_a_start_by_two_seconds(tmp_path: Path) -> None:
    edited = Edited(tmp_path, SHOP.replace(STOP, ""))
    world = edited.world.rested()
    world.say("shop/band_saw/amps", "0")
    edited.write(SHOP)
    begun = world.clocks.now
    world.say("shop/band_saw/amps", "6")
    world.run(0.5)
    world.say("shop/gate/band_saw/state", "open")
    world.run(1.49)
    assert (FAN, "1") not in world.commands(begun)
    world.run(0.02)
    assert [(s.topic, s.text) for s in world.transport.sent if s.at == begun + 2 and s.topic == FAN] == [(FAN, "1")]
    assert world.events("collector_waited")[-1]["rule"] == "stop_unread"
    assert not world.events("command_vetoed")


def test_a_new_stop_whose_retained_word_is_active_is_in_time(tmp_path: Path) -> None:
    edited = Edited(tmp_path, SHOP.replace(STOP, ""))
    world = edited.world.rested()
    edited.write(SHOP)
    begun = world.clocks.now
    world.say("shop/band_saw/amps", "6")
    world.say("shop/gate/band_saw/state", "open")
    world.run(1.9)
    world.say("shop/estop", "1", retained=True)
    world.run(30)
    assert (FAN, "1") not in world.commands(begun)
    assert word(world) == "held"


def test_a_running_fan_runs_on_through_a_new_stop_and_is_refreshed(tmp_path: Path) -> None:
    edited = Edited(tmp_path, SHOP.replace(STOP, "").replace("spin_up = 1", "spin_up = 1\nrefresh = 1"))
    world = edited.world.cutting()
    since = world.clocks.now
    edited.write(SHOP.replace("spin_up = 1", "spin_up = 1\nrefresh = 1"))
    world.run(1.9)
    assert world.commands(since)
    assert {payload for topic, payload in world.commands(since) if topic == FAN} == {"1"}
    assert not world.events("command_vetoed")


def test_an_edit_of_something_else_delays_nothing(tmp_path: Path) -> None:
    edited = Edited(tmp_path)
    world = edited.world.rested()
    edited.edit("run_on = 10", "run_on = 11")
    begun = world.clocks.now
    world.say("shop/band_saw/amps", "6")
    world.run(0.1)
    world.say("shop/gate/band_saw/state", "open")
    world.run(0.1)
    assert (FAN, "1") in world.commands(begun)
