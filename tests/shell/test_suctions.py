"""The watcher in a daemon: what it is told, what it shows, and that nothing that is decided depends on it."""

import pytest
from shell_support import SHOP, World
from suction_support import INLET, PLAIN, WATCHED, alarm, alarms, day, over, quiet, reads, should, shown, swapped
from support.in_memory import InMemory

from gatehand.config.signals import PASCALS
from gatehand.shell.suction_watch import FRESH


def test_a_suction_as_the_ducts_should_give_it_is_shown_and_no_alarm() -> None:
    world = reads(World(WATCHED).cutting(), -should().middle, 40)  # whatever the sensor's sign
    found = shown(world)
    assert found["value"] == round(should().middle)
    assert (found["unit"], found["gates"], found["expected_by"]) == ("Pa", ["band_saw"], "ducts")
    assert found["low"] < found["value"] < found["high"]
    assert not alarms(world)


def test_too_much_suction_is_an_alarm_that_says_where_to_look_and_ends_by_itself() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    found = alarm(world, "suction_high")
    assert found["because"].startswith("With band saw open the suction")
    assert "too high" in found["because"]
    assert "stuck shut" in found["next"]
    assert shown(world)["off"] == "high"
    reads(world, should().middle, 15)
    assert alarm(world, "suction_high") is None
    assert over(world) == ["the suction has been as expected again for a while"]


def test_where_the_fans_curve_does_not_tell_the_way_the_alarm_names_none() -> None:
    flat = WATCHED.replace("[[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]", "[[0, 8.02], [3000, 8.0]]")
    flat = flat.replace("clean = 1.0, dirty = 3.0", "clean = 0, dirty = 0")
    world = reads(World(flat).cutting(), 1000, 30)
    assert "so flat there" in shown(world)["not_judged"]
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1300, 30)
    found = alarm(world, "suction_high")["next"]
    assert found.startswith("By this fan's curve the suction does not tell a blocked duct from an open one")
    assert "less air" not in found


def test_too_much_suction_may_be_a_filter_that_is_gone() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    assert "A filter that is torn or missing does the same." in alarm(world, "suction_high")["next"]


def test_too_little_suction_is_an_alarm_that_says_where_to_look() -> None:
    world = reads(World(WATCHED).cutting(), should().low - 50, 25)
    found = alarm(world, "suction_low")
    assert "too low" in found["because"]
    for what in ("filter", "bin", "gate", "hose"):
        assert what in found["next"]


@pytest.mark.parametrize(("unit", "scale"), [("Pa", 1.0), ("in.w.g.", 1.0), ("Pa", 100.0), ("in.w.g.", -2.0)])
def test_the_same_in_every_unit(unit: str, scale: float) -> None:
    text = WATCHED.replace('unit = "Pa"', f'unit = "{unit}", scale = {scale}')
    said = (should().high + 50) / PASCALS[unit] / scale
    world = reads(World(text).cutting(), said, 25)
    assert alarm(world, "suction_high") is not None
    assert shown(world)["unit"] == unit


def test_what_the_broker_has_kept_counts_for_nothing() -> None:
    world = World(WATCHED).cutting()
    for _ in range(40):
        world.say(INLET, "9000", retained=True)
        world.run(1)
        world.engine.beat()
    assert shown(world)["value"] is None
    assert not alarms(world)


@pytest.mark.parametrize("payload", ["high", "1e9", "nan", "true"])
def test_a_reading_that_is_none_is_rejected_with_what_it_said(payload: str) -> None:
    world = World(WATCHED).cutting()
    world.say(INLET, payload)
    (line,) = world.events("reading_rejected")
    assert line["shown"] == payload
    assert str(line["why"]).startswith("suction: ")


def test_ducts_beyond_the_fans_curve_give_no_opinion() -> None:
    text = WATCHED.replace("[800, 8.1], [1200, 3.9]", "[420, 10.3]")
    world = reads(World(text).cutting(), 9000, 40)
    assert "than its curve covers" in shown(world)["not_judged"]
    assert not alarms(world)


def test_a_mistake_while_the_ducts_are_worked_out_gives_no_opinion(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("a pipe of no width")

    monkeypatch.setattr("gatehand.air.suction_expected.duct_suction", fails)
    world = reads(World(WATCHED).cutting(), 9000, 60)
    assert not alarms(world)
    assert world.engine.mishaps == 0
    (line,) = world.events("suction_not_judged")
    assert "ZeroDivisionError" in str(line["why"])


def test_an_alarm_ends_with_the_collector_and_says_so() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    world.say("shop/band_saw/amps", "0")
    world.run(11)
    world.say("shop/fan/state", "0")
    world.run(1)
    assert alarm(world, "suction_high") is None
    assert over(world) == ["the collector is off"]


def test_a_collector_that_is_off_shows_no_suction_from_that_moment_on() -> None:
    world = reads(World(WATCHED).cutting(), should().middle, 25)
    assert shown(world)["value"] is not None
    world.say("shop/fan/state", "0")  # somebody's hand; no beat comes between
    world.run(2.5)
    assert world.shown("collector/main")["state"] != "running"
    assert shown(world) == {"value": None, "unit": "Pa", "gates": None}


def test_the_broker_away_ends_it_and_what_was_read_before() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    world.lose()
    assert over(world) == ["the broker is away"]
    world.connect(("shop/fan/state", "1"), ("shop/gate/band_saw/state", "open"))
    assert alarm(world, "suction_high") is None


def test_another_config_ends_it() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    swapped(world, WATCHED.replace(INLET, "shop/fan/elsewhere"))
    assert "the config has changed" in over(world)
    reads(world, should().high + 50, 30)  # where nobody listens any more
    assert alarm(world, "suction_high") is None
    reads(world, should().high + 50, 30, topic="shop/fan/elsewhere")
    assert alarm(world, "suction_high") is not None
    swapped(world, SHOP)
    assert alarm(world, "suction_high") is None
    assert "suction" not in world.shown("collector/main")


def test_other_ducts_in_the_config_are_what_counts_from_then_on() -> None:
    other = WATCHED.replace("[0, 11.0], [400, 10.4], [800, 8.1]", "[0, 7.0], [400, 6.4], [800, 5.1]")
    low = should(other).middle
    world = reads(World(WATCHED).cutting(), low, 30)
    assert alarm(world, "suction_low") is not None
    reads(swapped(world, other), low, 40)
    assert alarm(world, "suction_low") is None
    assert shown(world)["expected_by"] == "ducts"


def test_a_sensor_that_falls_silent_while_the_fan_runs_is_told_and_its_next_word_ends_that() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    quiet(world, int(FRESH) + 2)
    assert alarm(world, "suction_high") is None
    quiet(world, 60)
    assert INLET in alarm(world, "suction_silent")["next"]
    reads(world, should().middle, 1)
    assert alarm(world, "suction_silent") is None


def test_a_sensor_that_was_never_heard_is_told_a_minute_after_a_start() -> None:
    world = World(WATCHED).cutting()
    quiet(world, 70)
    found = alarm(world, "unheard")
    assert "suction sensor of collector main has never been heard" in found["because"]
    assert INLET in found["because"]


def test_a_gate_that_is_neither_open_nor_shut_leaves_no_opinion() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 12)
    world.say("shop/gate/band_saw/state", "between")
    reads(world, should().high + 50, 40)
    assert alarm(world, "suction_high") is None
    assert shown(world)["gates"] is None


def test_what_was_measured_with_a_set_is_in_the_log_once_the_set_is_another() -> None:
    world = reads(World(PLAIN).cutting(), 1000, 40)
    assert not world.events("suction_measured")
    world.say("shop/band_saw/amps", "0")
    world.run(11)
    (line,) = world.events("suction_measured")
    assert (line["collector"], line["gates"], line["pascals"]) == ("main", "band_saw", 1000.0)


def test_the_rules_are_never_given_it_and_it_is_recorded_beside_them() -> None:
    world = reads(World(WATCHED).cutting(), 1234.5, 3)
    assert [(name, value) for _, name, value in world.recorder.suctions] == [("main", 1234.5)] * 3
    assert not any("uction" in type(event).__name__ for _, event in world.recorder.events)


@pytest.mark.parametrize("pascals", [0.0, 1900.0, 9000.0])
def test_the_same_day_gives_the_same_commands_with_and_without_it(pascals: float) -> None:
    days = [day(World(text), pascals) for text in (SHOP, WATCHED)]
    assert days[0].commands() == days[1].commands()
    assert days[0].recorder.events == days[1].recorder.events
    assert [sent.at for sent in days[0].acts()] == [sent.at for sent in days[1].acts()]


def test_a_sensor_that_is_not_understood_is_told_as_what_it_is() -> None:
    world = World(WATCHED).cutting()
    for _ in range(70):
        world.say(INLET, "much")
        quiet(world, 1)
    assert "The suction sensor of collector main is heard, but not understood" in alarm(world, "unheard")["because"]


def test_a_sensor_that_speaks_in_words_from_some_day_on_is_not_called_silent() -> None:
    world = reads(World(WATCHED).cutting(), should().middle, 5)
    for _ in range(70):
        world.say(INLET, "much")
        quiet(world, 1)
    assert "heard, but not understood" in alarm(world, "unheard")["because"]
    assert [line["alarm"] for line in alarms(world)] == []


def test_a_slip_at_the_start_leaves_a_daemon_that_works_the_shop(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("a slip")

    monkeypatch.setattr("gatehand.shell.baselines.made_of", fails)
    world = day(World(WATCHED), 9000)
    assert world.commands() == day(World(SHOP), 9000).commands()
    assert not alarms(world)
    assert world.engine.mishaps == 1


def test_what_cannot_be_recorded_ends_the_watching_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("a slip")

    world = World(WATCHED)
    monkeypatch.setattr(world.recorder, "record_suction", fails, raising=False)
    day(world, 9000)
    assert world.commands() == day(World(SHOP), 9000).commands()
    assert world.engine.mishaps == 1


@pytest.mark.parametrize("where", ["look", "take", "pass_time"])
def test_a_mistake_in_the_watcher_ends_the_watching_and_nothing_else(
    where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **_more: object) -> None:
        raise RuntimeError("a slip")

    plain = day(World(SHOP), 9000)
    world = World(WATCHED).cutting()
    reads(world, 9000, 25)
    assert alarm(world, "suction_high") is not None
    monkeypatch.setattr(f"gatehand.shell.suction_watch.Watch.{where}", fails)
    reads(world, 9000, 15)
    world.say("shop/band_saw/amps", "0")
    world.run(12)
    world.say("shop/router/amps", "3")
    reads(world, 9000, 30)
    world.say("shop/router/amps", "0")
    world.run(30)
    assert world.commands() == plain.commands()
    assert alarm(world, "suction_high") is None
    assert world.engine.mishaps == 1
    assert "RuntimeError: a slip" in str(world.events("suction_not_judged")[-1]["why"])
    assert "suction" not in world.shown("collector/main")


def test_a_sensor_that_speaks_too_seldom_is_not_judged_and_that_is_said_once() -> None:
    world = World(WATCHED).cutting()
    for _ in range(8):
        quiet(world, int(FRESH) + 1)
        world.say(INLET, "9000")
    quiet(world, 2)
    assert not alarms(world)
    (line,) = world.events("suction_not_judged")
    assert line["why"] == "its sensor reports less often than every 15 s"
    assert shown(world)["not_judged"] == line["why"]


def test_a_sensor_that_was_heard_in_an_earlier_run_and_is_dead_now_is_told() -> None:
    memory = InMemory()
    reads(World(WATCHED, memory=memory).cutting(), should().middle, 70)
    assert memory.kept.heard
    again = World(WATCHED, memory=InMemory(memory.kept)).cutting()
    quiet(again, 70)
    assert alarm(again, "unheard") is None
    assert "No reading from the suction sensor" in alarm(again, "suction_silent")["because"]


def test_a_sensor_that_is_added_by_an_edit_is_watched_from_then_on() -> None:
    world = World(SHOP).cutting()
    reads(world, 9000, 3)
    swapped(world, WATCHED)
    assert INLET in {one.topic for one in world.transport.wanted}
    reads(world, should().high + 50, 20)
    assert alarm(world, "suction_high") is not None
