"""A restart while a tool cuts, as deploy/README.md tells it: only a start that is seen starts the fan again."""

import pytest
from shell_support import World

FAN = "shop/fan/set"
RUN_ON = 10


def restarted(fan: str) -> World:
    """A new daemon: the gate stands open, the saw cuts, and the switch reports `fan`."""
    world = World().connect(("shop/fan/state", fan), ("shop/gate/band_saw/state", "open"), ("shop/estop", "0"))
    world.say("shop/gate/band_saw/state", "open")
    cutting(world, 0)
    return world


def cutting(world: World, seconds: float) -> None:
    for _ in range(round(seconds)):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
    world.say("shop/band_saw/amps", "5")


@pytest.mark.parametrize("fan", ["0", "1"])
def test_the_tool_is_not_fresh_whatever_the_switch_reports(fan: str) -> None:
    world = restarted(fan)
    cutting(world, 60)
    assert world.shown("alarm/tool.band_saw.not_fresh") is not None
    assert (FAN, "1") not in world.commands()


def test_a_fan_that_is_found_off_stays_off_while_the_cut_goes_on() -> None:
    world = restarted("0")
    cutting(world, 60)
    assert world.shown("collector/main")["state"] == "off"


def test_a_fan_that_is_found_on_turns_until_the_cut_and_its_run_on_are_over() -> None:
    world = restarted("1")
    cutting(world, 60)
    assert (FAN, "0") not in world.commands()
    world.say("shop/band_saw/amps", "0")
    world.run(RUN_ON - 1)
    assert (FAN, "0") not in world.commands()
    world.run(1.1)
    assert (FAN, "0") in world.commands()


def test_a_fan_that_is_found_on_while_nothing_cuts_turns_for_the_longest_run_on() -> None:
    world = World().connect(("shop/fan/state", "1"), ("shop/gate/band_saw/state", "open"), ("shop/estop", "0"))
    world.say("shop/gate/band_saw/state", "open")
    world.say("shop/band_saw/amps", "0")
    world.run(RUN_ON - 1)
    assert (FAN, "0") not in world.commands()
    world.run(2)
    assert (FAN, "0") in world.commands()


def test_switched_off_and_on_again_the_tool_starts_the_fan() -> None:
    world = restarted("0")
    cutting(world, 5)
    world.say("shop/band_saw/amps", "0")
    world.run(2)
    since = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.run(2)
    assert (FAN, "1") in world.commands(since)


def test_a_clean_stop_in_mid_cut_tells_the_fan_off() -> None:
    world = World().cutting()
    since = world.clocks.now
    world.engine.stop()
    assert world.commands(since) == [(FAN, "0")]
