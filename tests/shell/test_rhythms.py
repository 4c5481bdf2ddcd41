"""How often a meter speaks: shown once it is known, seldom published, kept beyond the daemon's end."""

from typing import Any

import pytest
from shell_support import SHOP, World
from support.in_memory import InMemory

from gatehand.config.meters import meter_key, meters
from gatehand.rhythm import Rhythm

SAW, ROUTER = "shop/band_saw/amps", "shop/router/amps"
FOUND = (("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
ON_CHANGE = SHOP.replace("run_on = 0", "run_on = 0\nsilent_after = 0")
ASKED = ON_CHANGE.replace(
    f'current = {{ topic = "{ROUTER}" }}',
    f'current = {{ topic = "{ROUTER}", poll = {{ topic = "shop/router/get", payload = "?" }} }}',
)


def speaks(world: World, every: float, times: int) -> World:
    """The saw's meter says the same again and again."""
    for _ in range(times):
        world.say(SAW, "0.1")
        world.run(every / 2)
        world.engine.beat()
        world.run(every / 2)
    beats(world)
    return world


def beats(world: World) -> None:
    for _ in range(5):
        world.engine.beat()


def rhythm(world: World) -> Any:  # noqa: ANN401 - JSON
    return world.shown("tool/band_saw").get("rhythm")


def published(world: World) -> int:
    return sum(1 for sent in world.transport.sent if sent.topic == "gatehand/tool/band_saw")


def kept(world: World) -> Rhythm | None:
    _, source = meters(world.engine.active.config)["band_saw"]
    return world.engine.notebook.rhythm(meter_key(source))


def steady_at_10(world: World) -> bool:
    beats(world)
    known = kept(world)
    return known is not None and (known.every, known.longest, known.on_change) == (10.0, 10.0, False)


def test_a_tools_status_says_its_meters_rhythm_once_it_is_known() -> None:
    world = World().connect(*FOUND)
    assert rhythm(world) is None
    speaks(world, 10, 5)
    assert rhythm(world) == {"every": 10.0, "longest": 10.0, "steady": True, "on_change": False, "count": 5}
    assert "rhythm" not in world.shown("tool/router")
    assert "rhythm" not in world.shown("gate/band_saw")


def test_a_rhythm_that_stays_is_published_anew_when_ten_times_as_many_messages_bear_it_out() -> None:
    world = speaks(World().connect(*FOUND), 10, 6)
    before = published(world)
    speaks(world, 10, 200)
    assert published(world) - before == 1
    assert rhythm(world)["count"] >= 50


def test_a_rhythm_that_changes_is_told() -> None:
    world = speaks(World().connect(*FOUND), 10, 20)
    speaks(world, 2, 60)
    assert rhythm(world)["every"] == 2.0


def test_the_broker_away_and_a_loop_that_stood_still_are_no_gap() -> None:
    world = speaks(World().connect(*FOUND), 10, 6)
    for _ in range(20):
        world.lose()
        world.run(22)
        world.connect(*FOUND)
        for _ in range(3):
            world.say(SAW, "0.1")
            world.run(10)
    assert steady_at_10(world)
    for _ in range(20):
        world.say(SAW, "0.1")
        world.run(1)
        world.engine.on_standstill(12)
        world.run(12)
        for amps, then in (("0.2", 2), ("0.1", 3), ("0.3", 5)):
            world.say(SAW, amps)
            world.run(then)
        world.engine.on_caught_up()
        for _ in range(3):
            world.say(SAW, "0.1")
            world.run(10)
    assert steady_at_10(world)


def test_a_device_that_was_gone_leaves_no_gap_either() -> None:
    text = SHOP.replace(
        "start_amps = 2.5", 'start_amps = 2.5\nonline = { topic = "shop/band_saw/online", active = "1", clear = "0" }'
    )
    world = speaks(World(text).connect(*FOUND), 10, 6)
    for _ in range(30):
        world.say("shop/band_saw/online", "0")
        world.run(25)
        world.say("shop/band_saw/online", "1")
        speaks(world, 10, 2)
    assert steady_at_10(world)


def test_what_was_known_is_shown_again_at_once_after_a_restart_and_a_few_messages_do_not_unsettle_it() -> None:
    world = speaks(World().connect(*FOUND), 10, 100)
    known = rhythm(world)
    world.engine.stop()
    again = World(memory=InMemory(world.memory.kept), clocks=world.clocks).connect(*FOUND)
    assert rhythm(again) == known
    for gap in (3, 30, 1, 60, 2, 45):
        again.say(SAW, "0.2")
        again.run(gap)
        again.say(SAW, "0.1")
        again.run(1)
    beats(again)
    assert rhythm(again) == known


def test_an_edit_that_gives_the_tool_another_meter_begins_anew_and_one_that_renames_it_does_not() -> None:
    world = speaks(World().connect(*FOUND), 10, 6)
    known = kept(world)
    assert known is not None
    _, renamed = meters(World(SHOP.replace("[tool.band_saw]", "[tool.big_saw]")).engine.active.config)["big_saw"]
    assert world.engine.notebook.rhythm(meter_key(renamed)) == known
    _, other = meters(World(SHOP.replace(SAW, "shop/other")).engine.active.config)["band_saw"]
    assert world.engine.notebook.rhythm(meter_key(other)) is None


def test_of_whom_the_broker_keeps_a_word_is_remembered_until_it_keeps_none() -> None:
    world = World().connect(*FOUND, (SAW, "0.1"))
    world.engine.stop()
    assert world.memory.kept.retained == (SAW,)
    again = World(memory=InMemory(world.memory.kept)).connect(*FOUND)
    again.engine.stop()
    assert again.memory.kept.retained == ()


# --- the first cut after the daemon's start, where the meter speaks only on change


def first_cut(world: World) -> list[tuple[str, str]]:
    world.run(60)
    since = world.clocks.now
    world.say(ROUTER, "9")
    world.run(3)
    return [command for command in world.commands(since) if command[0] == "shop/gate/bench/set"]


@pytest.mark.parametrize(
    ("text", "served"), [(ON_CHANGE, True), (ON_CHANGE.replace("silent_after = 0", "silent_after = 30"), False)]
)
def test_the_first_cut_is_served_where_a_kept_word_has_shown_the_tool_idle(text: str, *, served: bool) -> None:
    world = World(text).connect(*FOUND, (ROUTER, "0"))
    assert (("shop/gate/bench/set", "open") in first_cut(world)) is served


def test_the_first_cut_is_served_at_once_where_the_meter_has_answered_to_a_question() -> None:
    world = World(ASKED).connect(*FOUND)
    assert ("shop/router/get", "?") in world.commands()
    world.say(ROUTER, "0")
    world.run(60)
    since = world.clocks.now
    world.say(ROUTER, "9")
    world.run(0.1)
    assert ("shop/gate/bench/set", "open") in world.commands(since)


def test_the_first_cut_is_missed_and_said_so_where_neither_has_come() -> None:
    world = World(ON_CHANGE).connect(*FOUND)
    assert first_cut(world) == []
    assert world.events("start_refused")[-1]["rule"] == "first_seen_drawing"
    world.say(ROUTER, "0")
    assert ("shop/gate/bench/set", "open") in first_cut(world)


def test_what_the_broker_keeps_is_written_at_the_next_beat_for_check_reads_it() -> None:
    world = World().connect(*FOUND, (SAW, "0.1"))
    world.engine.beat()
    assert world.memory.kept.retained == (SAW,)
    again = World(memory=InMemory(world.memory.kept)).connect(*FOUND)
    again.engine.beat()
    assert again.memory.kept.retained == ()
