"""An edit ends the alarms whose cause it takes away; and what an alarm had forbidden is free again."""

from collections.abc import Callable
from pathlib import Path

import pytest
from shell_support import SHOP, World
from test_reload import Edited

from gatehand.journal.sentences import sentence
from gatehand_rules.findings import Alarm

ONLINE = 'online = { topic = "shop/%s/online", active = "1", clear = "0" }\n'
FULL = 'bin_full = { topic = "shop/bin", active = "1", clear = "0" }\n'
STATE = 'state = { topic = "shop/fan/state", on = "1", off = "0" }\n'
METER = 'current = { topic = "shop/fan/amps" }\n'
ROUTER = 'current = { topic = "shop/router/amps" }\n'


def with_line(anchor: str, line: str) -> str:
    """The shop with a line more, after this one."""
    assert SHOP.count(anchor) == 1, anchor
    return SHOP.replace(anchor, anchor + line)


SAW_ONLINE = with_line('current = { topic = "shop/band_saw/amps" }\n', ONLINE % "saw")
GATE_ONLINE = with_line("[gate.bench]\n", ONLINE % "bench")
FAN_ONLINE = with_line(STATE, ONLINE % "fan")
STOP_ONLINE = with_line('topic = "shop/estop"\n', ONLINE % "estop")
BIN = with_line(STATE, FULL)
LIMITED = with_line(STATE, "max_open = 1\n")
METERED = SHOP.replace(STATE, METER)
LIMIT = with_line(ROUTER, "run_limit = 5\n")


def silent(world: World) -> None:
    world.rested()
    world.run(40)


def says(topic: str, text: str) -> Callable[[World], None]:
    def story(world: World) -> None:
        world.rested()
        world.say(topic, text)

    return story


def drew_already(world: World) -> None:
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    world.say("shop/router/amps", "3")


def beyond_its_limit(world: World) -> None:
    world.rested()
    for _ in range(8):
        world.say("shop/router/amps", "3")
        world.run(1)


def unanswered(world: World) -> None:
    world.connect(("shop/gate/band_saw/state", "shut"))
    world.run(60)


def unanswered_by_its_motor(world: World) -> None:
    """No word of its switch is configured, and its meter has not spoken: nothing shows that it is off."""
    world.connect(("shop/gate/band_saw/state", "shut"))
    world.run(60)


def no_room(world: World) -> None:
    world.cutting()
    world.say("shop/router/amps", "3")
    world.run(0.1)


ENDS: dict[str, tuple[str, Callable[[World], None], str, str, str]] = {
    "silent, its topic mended": (SHOP, silent, "shop/router/amps", "shop/router/a", "tool.router.silent"),
    "silent, speaks on change": (SHOP, silent, ROUTER, ROUTER + "silent_after = 0\n", "tool.router.silent"),
    "offline tool": (SAW_ONLINE, says("shop/saw/online", "0"), ONLINE % "saw", "", "tool.band_saw.offline"),
    "offline by a wrong topic": (
        SAW_ONLINE,
        says("shop/saw/online", "0"),
        "shop/saw/online",
        "shop/saw/on",
        "tool.band_saw.offline",
    ),
    "offline gate": (GATE_ONLINE, says("shop/bench/online", "0"), ONLINE % "bench", "", "gate.bench.offline"),
    "offline collector": (FAN_ONLINE, says("shop/fan/online", "0"), ONLINE % "fan", "", "collector.main.offline"),
    "offline stop": (STOP_ONLINE, says("shop/estop/online", "0"), ONLINE % "estop", "", "stop.emergency.offline"),
    "offline stop by a wrong word": (
        STOP_ONLINE,
        says("shop/estop/online", "0"),
        '/online", active = "1"',
        '/online", active = "here"',
        "stop.emergency.offline",
    ),
    "offline stop that is gone": (
        STOP_ONLINE,
        says("shop/estop/online", "0"),
        '[stop.emergency]\ntopic = "shop/estop"\n' + ONLINE % "estop" + 'active = "1"\nclear = "0"\n',
        "",
        "stop.emergency.offline",
    ),
    "full bin": (BIN, says("shop/bin", "1"), FULL, "", "collector.main.bin_full"),
    "full bin by a wrong topic": (BIN, says("shop/bin", "1"), "shop/bin", "shop/b", "collector.main.bin_full"),
    "not fresh": (SHOP, drew_already, "shop/router/amps", "shop/router/a", "tool.router.not_fresh"),
    "beyond its run limit": (LIMIT, beyond_its_limit, "shop/router/amps", "shop/router/a", "tool.router.run_limit"),
    "no answer of the switch": (SHOP, unanswered, STATE, "", "collector.main.no_answer"),
    "no answer of the motor": (METERED, unanswered_by_its_motor, METER, "", "collector.main.no_answer"),
    "no room": (LIMITED, no_room, "max_open = 1\n", "", "tool.router.max_open"),
}


@pytest.mark.parametrize("case", ENDS)
def test_an_edit_that_takes_the_cause_away_ends_the_alarm(case: str, tmp_path: Path) -> None:
    text, story, old, new, alarm = ENDS[case]
    edited = Edited(tmp_path, text)
    world = edited.world
    story(world)
    assert Alarm.of(alarm) in world.engine.state.alarms, "it stands before the edit"
    edited.edit(old, new)
    assert Alarm.of(alarm) not in world.engine.state.alarms
    assert alarm not in world.engine.publisher.alarms.raised
    assert world.shown(f"alarm/{alarm}") is None
    assert [line["alarm"] for line in world.events("alarm_cleared")].count(alarm) == 1


def test_a_bin_that_nobody_watches_any_more_refuses_no_start(tmp_path: Path) -> None:
    edited = Edited(tmp_path, BIN)
    world = edited.world
    world.rested()
    world.say("shop/bin", "1")
    edited.edit(FULL, "")
    began = world.clocks.now
    world.say("shop/router/amps", "3")
    world.run(2)
    assert ("shop/fan/set", "1") in world.commands(began)


def test_a_tool_on_change_whose_will_is_no_longer_watched_is_served_again(tmp_path: Path) -> None:
    text = SAW_ONLINE.replace(ONLINE % "saw", ONLINE % "saw" + "silent_after = 0\n")
    edited = Edited(tmp_path, text)
    world = edited.world
    world.rested()
    world.say("shop/saw/online", "0")
    edited.edit(ONLINE % "saw", "")
    assert Alarm("tool", "band_saw", "silent") not in world.engine.state.alarms


def test_an_edit_of_something_else_ends_no_alarm(tmp_path: Path) -> None:
    edited = Edited(tmp_path, BIN)
    world = edited.world
    silent(world)
    world.say("shop/bin", "1")
    standing = world.engine.state.alarms
    edited.edit("spin_up = 1", "spin_up = 2")
    assert world.engine.active.shop.collectors[0].spin_up == 2
    assert world.engine.state.alarms == standing


def test_a_bin_full_before_a_rename_is_full_after_it(tmp_path: Path) -> None:
    edited = Edited(tmp_path, BIN)
    world = edited.world
    world.rested()
    world.say("shop/bin", "1")
    edited.edit("[collector.main]", "[collector.cyclone]")
    assert Alarm("collector", "cyclone", "bin_full") in world.engine.state.alarms
    assert Alarm("collector", "main", "bin_full") not in world.engine.state.alarms


def test_a_gate_whose_topic_was_changed_is_not_told_as_silent_since_the_daemons_start(tmp_path: Path) -> None:
    edited = Edited(tmp_path, SHOP)
    world = edited.world
    world.rested()
    world.say("shop/gate/band_saw/state", "shut")
    edited.edit("shop/gate/band_saw/state", "shop/gate/saw/state")
    for _ in range(12):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
    because = (
        "The gate band saw was told to open and has not said where it is. Nothing has come on shop/gate/saw/state."
    )
    assert world.shown("alarm/gate.band_saw.fault")["because"] == because
    assert world.events("gate_fault")[0]["never_heard"] is True
    told = [sentence(line) for line in world.events("gate_commanded", "gate_fault", "alarm_raised")]
    assert not [each for each in told if "Gatehand started" in each]
