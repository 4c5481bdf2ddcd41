"""The tools' part under virtual time: the sensor that sees a tool, or what was seen instead."""

import re
from typing import Any

import pytest
from virtual_world import MECHANICAL, TEXT, VirtualWorld, at_the_tools

from gatehand.exercise.results import MeterResult, Result, ToolResult, Weight, as_json, text
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits


def of(result: Result, tool: str) -> ToolResult:
    return next(each for each in result.tools if each.tool == tool)


def words(result: ToolResult) -> str:
    return " ".join(remark.text for remark in result.remarks)


def at_work(world: VirtualWorld) -> Result:
    return world.go(tools=True, gates=False)


def with_tool(**habits: ToolHabits) -> Habits:
    return Habits(gates=MECHANICAL.gates, tools=habits)


def test_each_tool_is_asked_for_and_seen() -> None:
    world = VirtualWorld(person=at_the_tools())
    result = at_work(world)
    assert [tool.tool for tool in result.tools] == ["band_saw", "jointer", "router"]
    for tool in result.tools:
        assert tool.tried
        assert not tool.remarks
        assert tool.running == pytest.approx(world.config.tool[tool.tool].start_at * 2.2, rel=0.1)
        assert tool.seen_after == 0.0, "it says so at once, however long the walk was"
        assert tool.seen_after_most is None or tool.seen_after_most < 0.2
    assert any(text.startswith("Start the band saw now") for text in world.said)
    assert [each for each in world.said if re.fullmatch(r"  Seen: \d+\.\d\d A\. Listening for 3 s more\.", each)] != []
    assert not any(tool.on for tool in world.shop.tools.values())


def test_swapped_sensors_are_named() -> None:
    result = at_work(VirtualWorld(person=at_the_tools(starts={"band_saw": "jointer", "jointer": "band_saw"})))
    assert of(result, "band_saw").failed
    assert "the jointer's topic rose to" in words(of(result, "band_saw"))
    assert "the sensors of band saw and jointer are swapped" in words(of(result, "band_saw"))
    assert "the band saw's topic rose to" in words(of(result, "jointer"))
    assert not of(result, "router").failed
    assert not result.ok


def test_a_silent_sensor_is_named_with_its_topic() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.shop.tools["band_saw"].silence(on=True)
    result = at_work(world)
    assert "nothing came on t/band_saw/amps" in words(of(result, "band_saw"))
    assert any("t/band_saw/amps (tool band saw, current) never spoke" in remark.text for remark in result.unheard)


def test_a_retained_reading_is_of_any_age_and_counts_for_nothing() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.publish("t/band_saw/amps", "9", retained=True)
    world.shop.tools["band_saw"].silence(on=True)
    found = of(at_work(world), "band_saw")
    assert found.rest is None
    assert "nothing came on" in words(found)


def test_a_sensor_that_speaks_and_does_not_rise_is_told_with_its_highest_reading() -> None:
    world = VirtualWorld(person=at_the_tools(), habits=with_tool(band_saw=ToolHabits(running=0.4, inrush=None)))
    found = of(at_work(world), "band_saw")
    assert found.failed
    assert "A at most, start_amps is 2.5 A" in words(found)


def test_a_payload_that_cannot_be_read_is_told() -> None:
    world = VirtualWorld(person=at_the_tools())
    saw = world.shop.tools["band_saw"]
    saw.silence(on=True)
    for second in range(200):
        world.plan(second, lambda: world.publish("t/band_saw/amps", "off"))
    result = at_work(world)
    assert "what its topic t/band_saw/amps says cannot be read: found text that is not a number" in words(
        of(result, "band_saw")
    )


def test_a_tool_that_only_peaks_above_its_threshold_is_told() -> None:
    low = with_tool(band_saw=ToolHabits(running=1.0), jointer=ToolHabits(running=2.6))
    result = at_work(VirtualWorld(person=at_the_tools(), habits=low))
    saw, jointer = of(result, "band_saw"), of(result, "jointer")
    assert saw.failed
    assert "Only its start reaches start_amps" in words(saw)
    assert not jointer.failed
    assert jointer.remarks[0].weight is Weight.LOOK
    assert "only its inrush starts the collector" in words(jointer)


def test_a_tool_that_never_falls_below_its_stop_threshold_fails() -> None:
    person = at_the_tools()

    def stuck(world: VirtualWorld, question: str) -> None:
        person(world, question)
        if question.startswith("Now switch the band saw"):
            world.shop.tools["band_saw"].stick(world.time, on=True)

    found = of(at_work(VirtualWorld(person=stuck)), "band_saw")
    assert found.failed
    assert "Switched off, it still shows" in words(found)


def test_a_tool_that_draws_already_must_be_switched_off_first() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.shop.tools["band_saw"].switch(on=True, at=0.0)
    result = at_work(world)
    assert any("The band saw draws" in text and " A; switch it off" in text for text in world.said)
    assert not of(result, "band_saw").failed


def test_a_skipped_tool_is_not_tried_and_has_not_failed() -> None:
    result = at_work(VirtualWorld(person=lambda world, _: world.type("skip", after=1.0)))
    assert all(not tool.tried and not tool.failed for tool in result.tools)
    assert result.ok


def test_quit_ends_it_with_what_was_done() -> None:
    base = at_the_tools()

    def person(world: VirtualWorld, question: str) -> None:
        if question.startswith("Start the jointer"):
            world.type("quit", after=1.0)
        else:
            base(world, question)

    result = at_work(VirtualWorld(person=person))
    assert [tool.tool for tool in result.tools] == ["band_saw"]
    assert result.broken_off


def test_without_a_person_no_tool_is_tried() -> None:
    result = at_work(VirtualWorld())
    assert all(not tool.tried for tool in result.tools)
    assert result.ok


def test_start_after_is_waited_for() -> None:
    text = TEXT.replace("start_amps = 2.5", "start_amps = 2.5\nstart_after = 2")
    found = of(at_work(VirtualWorld(person=at_the_tools(), text=text)), "band_saw")
    assert found.seen_after == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize("walk", [20.0, 240.0])
def test_the_walk_to_the_tool_is_no_delay_of_its_sensor(walk: float) -> None:
    """A meter that speaks every 2 s whatever happens: the tool was started between two of its words."""
    base = at_the_tools()

    def slow(world: VirtualWorld, question: str) -> None:
        if question.startswith("Start the band saw"):
            world.plan(walk, lambda: world.shop.tools["band_saw"].switch(on=True, at=world.time))
        else:
            base(world, question)

    each = ToolHabits(every=2.0, on_change=False, inrush=None)
    world = VirtualWorld(person=slow, habits=with_tool(band_saw=each, jointer=each))
    result = at_work(world)
    found = of(result, "band_saw")
    assert found.seen_after == 0.0
    assert found.seen_after_most == pytest.approx(2.0, abs=0.05)
    shown = text(result)
    assert "  0.0 to 2.0 s  OK" in shown
    assert "Your walk to the tool is not counted." in " ".join(shown.split())
    facts: Any = as_json(result, world.config)["tools"]
    assert facts["band_saw"]["seen_after_most"] == found.seen_after_most


def test_a_start_in_steps_is_timed_from_its_first_word() -> None:
    """Above its stop threshold at once, above its start threshold 1.5 s later."""
    base = at_the_tools()

    def soft(world: VirtualWorld, question: str) -> None:
        if question.startswith("Start the band saw"):
            world.plan(5.0, lambda: world.publish("t/band_saw/amps", "2.0"))
            world.plan(6.5, lambda: world.publish("t/band_saw/amps", "7.0"))
        else:
            base(world, question)

    world = VirtualWorld(person=soft, habits=with_tool(band_saw=ToolHabits(every=1e6, on_change=False)))
    assert of(at_work(world), "band_saw").seen_after == 1.5


def test_a_fan_that_turns_while_a_tool_is_tried_stops_it() -> None:
    world = VirtualWorld(person=at_the_tools())
    world.plan(10.0, lambda: world.publish("c/amps", "9"))
    result = at_work(world)
    assert result.stopped is not None
    assert "its motor draws 9 A" in result.stopped


def test_topics_that_never_spoke_are_named() -> None:
    extra = """
[gate.sweep]
command = { topic = "g/sweep/set", open = "open", shut = "shut" }
state = { topic = "g/sweep/state", open = "open", shut = "shut" }
button = { topic = "g/sweep/button", pressed = "1" }
"""
    result = VirtualWorld(text=TEXT + extra, mute={"g/sweep/state", "estop"}).go()
    by_topic = {remark.text.partition(" ")[0]: remark for remark in result.unheard}
    assert by_topic["g/sweep/state"].weight is Weight.FAILED
    assert by_topic["g/sweep/button"].weight is Weight.LOOK
    assert by_topic["estop"].weight is Weight.LOOK
    assert set(by_topic) == {"g/sweep/state", "g/sweep/button", "estop"}


def test_a_stop_contact_that_spells_its_words_otherwise_fails_with_its_word() -> None:
    world = VirtualWorld(mute={"estop"})
    world.plan(1.0, lambda: world.mute.discard("estop"))
    world.plan(1.1, lambda: world.publish("estop", "pressed"))
    told = [remark.text for remark in world.go().unheard]
    assert any("it says 'pressed', neither its active word nor its clear word" in text for text in told)


# --- how often their meters speak


def meter_of(result: Result, tool: str) -> MeterResult:
    return next(each for each in result.meters if each.tool == tool)


def test_how_often_each_meter_speaks_is_told_with_what_it_rests_on() -> None:
    each = {name: ToolHabits(every=2.0, on_change=False) for name in ("band_saw", "jointer", "router")}
    world = VirtualWorld(person=at_the_tools(), habits=with_tool(**each))
    result = at_work(world)
    assert result.ok
    found = meter_of(result, "band_saw")
    assert found.rhythm is not None
    assert found.rhythm.steady
    assert found.rhythm.every == pytest.approx(2.0, rel=0.05)
    assert found.remarks == ()
    shown = " ".join(text(result).split())
    assert f"METERS band saw: speaks every 2 s (seen {found.rhythm.count} times): shorter cuts are missed" in shown
    meters: Any = as_json(result, world.config)["meters"]
    assert [one["tool"] for one in meters] == ["band_saw", "jointer", "router"]
    assert meters[0]["rhythm"]["count"] == found.rhythm.count


def test_a_silent_after_shorter_than_two_of_the_rhythm_is_told_and_fails_nothing() -> None:
    short = TEXT.replace("start_amps = 2.5", "start_amps = 2.5\nsilent_after = 3")
    world = VirtualWorld(
        person=at_the_tools(), habits=with_tool(band_saw=ToolHabits(every=2.0, on_change=False)), text=short
    )
    result = at_work(world)
    (remark,) = meter_of(result, "band_saw").remarks
    assert remark.weight is Weight.LOOK
    assert remark.text.startswith("silent_after is 3 s, too short for a meter that speaks every 2 s")
    assert remark.text in text(result).replace("\n    ", " ")
    assert result.ok


def test_a_meter_that_spoke_too_seldom_to_tell_and_was_quiet_for_longer_than_it_may_be_is_told() -> None:
    world = VirtualWorld(person=at_the_tools(), habits=with_tool(band_saw=ToolHabits(every=1e6)))
    saw = world.shop.tools["band_saw"]
    saw.silence(on=True)
    world.plan(47, lambda: world.publish("t/band_saw/amps", "0.0"))
    result = world.go(tools=True)
    found = meter_of(result, "band_saw")
    assert found.rhythm is None
    (remark,) = found.remarks
    assert "The meter was silent for 47 s and then spoke (seen 1 time), and silent_after is 30 s" in remark.text
    assert "the price: a sensor that has died is not noticed" in remark.text
