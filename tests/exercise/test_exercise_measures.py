"""Tools that say watts, or have a contact, and a fan that is seen by either: what is asked, seen and judged of them."""

import pytest
from virtual_world import MECHANICAL, TEXT, Person, VirtualWorld, at_the_tools

from gatehand.exercise.results import Result, ToolResult, Weight, as_json, text
from gatehand.exercise.supervisor import RefusedError
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand_rules.words import Measure

BY_KIND = TEXT.replace(
    'current = { topic = "t/jointer/amps" }\nstart_amps = 3',
    'power = { topic = "t/jointer/meter", pointer = "/power" }\nstart_watts = 300',
).replace(
    'current = { topic = "t/router/amps" }\nstart_amps = 1.5',
    'running = { topic = "t/router/on", active = "ON", clear = "OFF" }',
)
FAN = 'current = { topic = "c/amps" }'
STEADY = ToolHabits(inrush=None, noise=0.0)


def at_work(world: VirtualWorld) -> Result:
    return world.go(tools=True, gates=False)


def of(result: Result, tool: str) -> ToolResult:
    return next(each for each in result.tools if each.tool == tool)


def words(result: ToolResult) -> str:
    return " ".join(remark.text for remark in result.remarks)


def world_with(person: Person | None = None, config: str = BY_KIND, **habits: ToolHabits) -> VirtualWorld:
    return VirtualWorld(
        person=person or at_the_tools(), text=config, habits=Habits(gates=MECHANICAL.gates, tools=habits)
    )


def test_each_kind_is_asked_for_seen_and_told_in_its_own_unit() -> None:
    world = world_with(jointer=ToolHabits(inrush=None, noise=0.0, running=640.0, idle=4.0))
    result = at_work(world)
    saw, jointer, router = result.tools
    assert not [remark for tool in result.tools for remark in tool.remarks]
    assert [tool.measure for tool in result.tools] == [Measure.AMPS, Measure.WATTS, Measure.RUNNING]
    assert (jointer.rest, jointer.running, jointer.peak) == (4.0, 640.0, 640.0)
    assert (router.running, router.peak) == (1.0, None)
    assert saw.peak is not None
    assert "  Seen: 640 W. Listening for 3 s more." in world.said
    assert "  Seen: running. Listening for 3 s more." in world.said
    rows = {line.split("  ")[0]: line for line in text(result).splitlines()}
    assert rows["jointer"].split()[1:] == ["4", "W", "640", "W", "640", "W", "0.0", "to", "0.1", "s", "OK"]
    assert rows["router"].split()[1:] == ["-", "-", "running", "0.0", "s", "OK"]
    assert " A " in rows["band saw"]


def test_json_names_the_measure_and_says_a_contacts_word_as_true_or_false() -> None:
    world = world_with(jointer=STEADY)
    world.shop.tools["router"].switch(on=False, at=0.0)
    world.plan(1.0, lambda: world.publish("t/router/on", "OFF"))
    tools = as_json(at_work(world), world.config)["tools"]
    assert isinstance(tools, dict)
    assert (tools["jointer"]["measure"], tools["jointer"]["running"]) == ("watts", 660.0)
    assert (tools["router"]["measure"], tools["router"]["rest"], tools["router"]["running"]) == ("running", False, True)
    assert tools["router"]["peak"] is None


@pytest.mark.parametrize(
    ("running", "idle", "weight", "says"),
    [
        (180.0, 4.0, Weight.FAILED, "Only its start reaches start_watts"),
        (250.0, 4.0, Weight.LOOK, "It runs at 250 W, below start_watts of 300 W: only its inrush starts"),
        (640.0, 120.0, Weight.LOOK, "At rest it shows 120 W, more than half of stop_watts"),
    ],
)
def test_thresholds_are_judged_in_watts(running: float, idle: float, weight: Weight, says: str) -> None:
    found = of(at_work(world_with(jointer=ToolHabits(noise=0.0, running=running, idle=idle))), "jointer")
    assert found.remarks[0].weight is weight
    assert says in words(found)
    assert "amps" not in words(found)
    assert " A" not in words(found).replace(" At rest", "")


def test_watts_that_do_not_rise_are_told_with_what_to_look_at() -> None:
    found = of(at_work(world_with(jointer=ToolHabits(inrush=None, noise=0.0, running=41.0))), "jointer")
    assert found.failed
    assert "Not seen: 41 W at most, start_watts is 300 W. Check whether it gets its power through that meter" in words(
        found
    )


def test_watts_that_do_not_fall_are_told_with_their_threshold() -> None:
    person = at_the_tools()

    def stuck(world: VirtualWorld, question: str) -> None:
        person(world, question)
        if question.startswith("Now switch the jointer"):
            world.shop.tools["jointer"].stick(world.time, on=True)

    found = of(at_work(world_with(stuck, jointer=STEADY)), "jointer")
    assert "Switched off, it still shows 660 W, not below stop_watts of 210 W" in words(found)
    assert "or raise stop_watts" in words(found)


def test_a_contact_that_does_not_close_is_told_with_what_to_look_at() -> None:
    world = world_with()
    world.shop.tools["router"].silence(on=True)
    for second in range(0, 200, 5):
        world.plan(second, lambda: world.publish("t/router/on", "OFF"))
    found = of(at_work(world), "router")
    assert found.failed
    assert "its contact said stopped all the while" in words(found)
    assert "active and clear are swapped" in words(found)


def test_a_contacts_word_that_the_config_does_not_know_is_told() -> None:
    world = world_with()
    world.shop.tools["router"].silence(on=True)
    for second in range(0, 200, 5):
        world.plan(second, lambda: world.publish("t/router/on", "run"))
    assert "what its topic t/router/on says cannot be read: found another word, want 'ON' or 'OFF'" in words(
        of(at_work(world), "router")
    )


def test_words_that_are_swapped_are_hinted_at_when_it_runs_already() -> None:
    person = at_the_tools()

    def early(world: VirtualWorld, question: str) -> None:
        person(world, question)
        if question.startswith("Now switch the jointer"):
            world.plan(0.5, lambda: world.shop.tools["router"].switch(on=True, at=world.time))

    world = world_with(early)
    result = at_work(world)
    asked = [said for said in world.said if said.startswith("The router runs, according to its contact;")]
    assert len(asked) == 1
    assert "; if it is off, its words active and clear are swapped" in asked[0]
    assert not of(result, "router").failed


@pytest.mark.parametrize(
    ("plan", "weight", "says"),
    [
        ((("OFF", 2.0),), Weight.FAILED, "said running and then stopped, though nobody has switched it off"),
        ((("OFF", 2.0), ("ON", 2.2)), Weight.LOOK, "opened for a moment while it ran: stop_after bridges that"),
    ],
)
def test_a_contact_that_does_not_stay_closed_is_told(
    plan: tuple[tuple[str, float], ...], weight: Weight, says: str
) -> None:
    person = at_the_tools()

    def bouncing(world: VirtualWorld, question: str) -> None:
        person(world, question)
        if question.startswith("Start the router"):
            for word, after in plan:
                world.plan(1.0 + after, lambda word=word: world.publish("t/router/on", word))  # type: ignore[misc]

    found = of(at_work(world_with(bouncing)), "router")
    assert found.remarks[0].weight is weight
    assert says in words(found)


def test_a_contact_that_stays_closed_would_never_stop_the_collector() -> None:
    person = at_the_tools()

    def stuck(world: VirtualWorld, question: str) -> None:
        person(world, question)
        if question.startswith("Now switch the router"):
            world.shop.tools["router"].stick(world.time, on=True)

    found = of(at_work(world_with(stuck)), "router")
    assert found.failed
    assert "Switched off, its contact still says running: the collector would never stop" in words(found)


def test_sensors_of_two_kinds_that_are_swapped_are_named() -> None:
    result = at_work(world_with(at_the_tools(starts={"jointer": "router", "router": "jointer"}), jointer=STEADY))
    assert "the router's contact said running instead: the sensors of jointer and router are swapped" in words(
        of(result, "jointer")
    )
    assert "the jointer's topic rose to 660 W instead" in words(of(result, "router"))


@pytest.mark.parametrize(
    ("sensor", "topic", "turns", "stands", "says"),
    [
        ('power = { topic = "c/w" }\nrunning_watts = 900', "c/w", "900", "899.9", "its motor draws 900 W"),
        (
            'running = { topic = "c/air", active = "yes", clear = "no" }',
            "c/air",
            "yes",
            "no",
            "its motor runs, according to its contact",
        ),
    ],
)
def test_a_fan_that_is_seen_to_turn_by_power_or_a_contact_is_refused_and_stops_it(
    sensor: str, topic: str, turns: str, stands: str, says: str
) -> None:
    config = BY_KIND.replace(FAN, sensor)
    world = VirtualWorld(text=config)
    world.publish(topic, turns)
    world.mute.add(topic)
    with pytest.raises(RefusedError, match=says):
        world.go()
    assert world.sent == []
    standing = VirtualWorld(text=config)
    standing.publish(topic, stands)
    standing.mute.add(topic)
    assert standing.go().stopped is None
    meanwhile = world_with(config=config)
    meanwhile.plan(10.0, lambda: meanwhile.publish(topic, turns))
    stopped = at_work(meanwhile).stopped
    assert stopped is not None
    assert says in stopped
