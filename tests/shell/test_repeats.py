"""What is asked for in vain all day does not fill the log, and what a person tries in vain stands in it each time."""

import pytest
from shell_support import World

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import sentence
from gatehand.shell.repeats import MOST, WINDOW

HAND, HOLD, RESET = "gatehand/gate/band_saw/hand", "gatehand/collector/main/hold", "gatehand/collector/main/reset"


EACH_SECOND = 20


def flooded(seconds: int, *messages: tuple[str, str], held: bool) -> World:
    """Each of these so many times a second."""
    world = World().rested()
    if held:
        world.say(HOLD, "me")
    for i in range(seconds * EACH_SECOND):
        for topic, text in messages:
            world.say(topic, text.replace("%", str(i)))
        world.run(1 / EACH_SECOND)
        if i % EACH_SECOND == 0:
            world.engine.beat()
    return world


@pytest.mark.parametrize(
    ("messages", "held"),
    [
        pytest.param([(HAND, "1")], True, id="hand starts while held"),
        pytest.param([(HAND, "1"), (HAND, "0")], True, id="hand starts and their ends while held"),
        pytest.param([(HAND, "junk %")], False, id="words that are none"),
        pytest.param([(RESET, "%")], False, id="resets of nothing"),
        pytest.param([(HOLD, "%")], False, id="holds of what is held"),
        pytest.param([(HOLD, "%"), (RESET, "%")], False, id="holds and resets by turns"),
    ],
)
def test_twenty_a_second_for_three_minutes_grow_the_log_by_a_few_lines(
    messages: list[tuple[str, str]], held: bool
) -> None:
    world = flooded(180, *messages, held=held)
    assert len(world.log.lines) < 60
    assert sum(len(repr(line)) for line in world.log.lines) < 30_000


def test_every_refusal_is_a_line_or_is_counted() -> None:
    world = flooded(180, (HAND, "1"), held=True)
    world.run(WINDOW)
    world.engine.beat()
    counted = world.events(OwnEvent.REFUSALS_COUNTED)
    lines = world.events("start_refused")
    assert len(lines) == MOST
    assert len(lines) + sum(int(str(line["more"])) for line in counted) == 180 * EACH_SECOND
    assert len(counted) <= 4, "one a minute"
    assert sentence(counted[0]).startswith("start refused for gate band saw: ")
    assert sentence(counted[0]).endswith(" more times within 1 min)")
    assert counted[0]["gate"] == "band_saw"


def test_who_tries_now_and_then_is_told_each_time() -> None:
    world = World().rested()
    world.say(HOLD, "me")
    for _ in range(20):
        world.say(HAND, "1")
        world.say(HAND, "0")
        for _ in range(15):
            world.run(1)
            world.engine.beat()
    assert len(world.events("start_refused")) == 20
    assert not world.events(OwnEvent.REFUSALS_COUNTED)


def test_another_refusal_is_told_while_one_is_being_counted() -> None:
    world = flooded(2, (HAND, "1"), held=True)
    before = len(world.events("reset_refused"))
    world.say("shop/estop", "1")
    world.say(RESET, "")
    assert len(world.events("reset_refused")) == before + 1
    world.say("gatehand/gate/bench/hand", "1")
    assert world.events("start_refused")[-1]["gate"] == "bench"
