"""Readings with a time of their own through the routes and the engine: what was held back starts nothing."""

from typing import Any

import pytest
from shell_support import SHOP, World, active_config_of

from gatehand.shell.routes import Routes
from gatehand_rules import events as ev

DATED = SHOP.replace(
    'current = { topic = "shop/band_saw/amps" }',
    'current = { topic = "shop/band_saw/amps", pointer = "/amps", at = "/at" }',
).replace(
    'current = { topic = "shop/router/amps" }',
    'current = { topic = "shop/router/amps", poll = { topic = "shop/router/get", payload = "?" } }\nsilent_after = 0',
)
AMPS = "shop/band_saw/amps"
OPEN = ("shop/gate/band_saw/set", "open")


def say(world: World, amps: float, *, late: float = 0.0) -> None:
    """The saw's board speaks; its clock, in milliseconds, began to count 77 s ago at our 100 s."""
    measured = world.clocks.now - late
    world.say(AMPS, f'{{"amps": {amps}, "at": {round((measured - 23.0) * 1000)}, "n": 1}}')


def meter(world: World, seconds: int, amps: float = 0.1) -> None:
    """Once a second, and time passes."""
    for _ in range(seconds):
        say(world, amps)
        world.run(1)


def rested() -> World:
    world = World(DATED).connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    world.say("shop/router/amps", "0")
    meter(world, 10)
    return world


def lose_and_find(world: World, seconds: float) -> None:
    world.lose()
    world.run(seconds)
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))


def test_a_board_that_hands_on_its_message_15_s_late_starts_nothing() -> None:
    world = rested()
    lose_and_find(world, 14)
    since = world.clocks.now
    say(world, 6, late=15)  # the cut of then, long over
    world.run(1)
    say(world, 6, late=15)  # and again, a second later
    world.run(1)
    assert world.commands(since) == []
    assert world.shown("tool/band_saw")["state"] == "idle"
    refused = world.events("reading_rejected")
    assert [line["rule"] for line in refused] == ["max_age"], "the second is counted, and told within the minute"
    assert "it is 15.0 s old by its own time, held back by its device; want at most 5 s" in str(refused[0]["why"])
    assert refused[0]["tool"] == "band_saw"


def test_a_board_that_hands_it_on_late_while_nothing_else_was_lost_starts_nothing_either() -> None:
    """Our own connection stood all the while: no silence that we could know of, and yet the reading is old."""
    world = rested()
    since = world.clocks.now
    world.run(15)
    say(world, 6, late=15)
    world.run(1)
    assert world.commands(since) == []


def test_a_young_reading_starts_its_tool_at_once_after_the_broker_was_away() -> None:
    world = rested()
    lose_and_find(world, 14)
    since = world.clocks.now
    say(world, 6)
    world.run(0.1)
    assert OPEN in world.commands(since)
    assert world.events("tool_started")[-1]["rule"] == "start_threshold"


def test_the_estimate_is_kept_over_a_changed_config_and_begins_afresh_with_another_time() -> None:
    for changed, known in ((DATED + "\n", True), (DATED.replace('at = "/at"', 'at = "/n"'), False)):
        before, after = active_config_of(DATED).routes, active_config_of(changed).routes
        for second in range(5):
            hear(before, 0.1, second, 100.0 + second)
        after.take_over(before)
        found = hear(after, 6.0, 5, 120.0)
        if known:
            assert isinstance(found, ev.MessageRejected)
            assert "15.0 s old" in found.why
        else:
            assert found == ev.Reading("band_saw", 6.0)


def hear(routes: Routes, amps: float, second: float, received: float, **more: Any) -> ev.Event | None:  # noqa: ANN401
    payload = f'{{"amps": {amps}, "at": {round(second * 1000)}, "n": {round(second)}}}'.encode()
    events = routes.events(AMPS, payload, retained=more.get("retained", False), now=received)
    assert events is not None
    return events[0] if events else None


def test_a_reading_is_young_where_its_time_proves_it() -> None:
    routes = active_config_of(DATED).routes
    assert hear(routes, 0.0, 1, 101.0) == ev.Reading("band_saw", 0.0)
    assert hear(routes, 6.0, 2, 102.0) == ev.Reading("band_saw", 6.0, young=True)


def test_a_retained_reading_tells_nothing_of_the_lag_and_is_never_young() -> None:
    routes = active_config_of(DATED).routes
    hear(routes, 0.0, 1, 101.0)
    hear(routes, 0.0, 2, 102.0)
    assert hear(routes, 6.0, 1.5, 103.0, retained=True) == ev.Reading("band_saw", 6.0, retained=True)
    assert hear(routes, 6.0, 1.6, 103.0, retained=True) == ev.Reading("band_saw", 6.0, retained=True)
    assert hear(routes, 6.0, 3, 103.0) == ev.Reading("band_saw", 6.0, young=True)


def test_a_reading_whose_time_is_missing_is_refused_in_words() -> None:
    routes = active_config_of(DATED).routes
    assert routes.events(AMPS, b'{"amps": 6}', retained=False, now=1.0) == (
        ev.MessageRejected(
            "tool",
            "band_saw",
            "current: the time of its measurement cannot be read: nothing at /at: there is no 'at'; there is 'amps'",
            '{"amps": 6}',
        ),
    )


def test_what_is_old_is_counted_like_any_other_refusal() -> None:
    routes = active_config_of(DATED).routes
    for second in range(5):
        hear(routes, 0.0, second, 100.0 + second)
    found = [hear(routes, 6.0, 5 + n / 10, 130.0 + n / 10) for n in range(50)]
    assert [type(one) for one in found] == [ev.MessageRejected] + [type(None)] * 49
    (later,) = routes.rejections.overdue(200.0)
    assert later.old
    assert "49 more" in later.why


def test_a_collectors_old_current_is_refused_too() -> None:
    current = 'current = { topic = "shop/fan/amps", pointer = "/amps", at = "/at" }'
    text = DATED.replace("spin_up = 1\n", f"spin_up = 1\n{current}\n")
    routes = active_config_of(text).routes

    def read(second: float, received: float) -> ev.Event:
        payload = f'{{"amps": 9, "at": {second}}}'.encode()
        (event,) = routes.events("shop/fan/amps", payload, retained=False, now=received) or ()
        return event

    assert read(1, 101.0) == ev.CollectorReading("main", 9.0)
    assert read(2, 102.0) == ev.CollectorReading("main", 9.0)
    late = read(3, 118.0)
    assert isinstance(late, ev.MessageRejected)
    assert (late.kind, late.name, late.old) == ("collector", "main", True)


# --- the answer to a poll


@pytest.mark.parametrize(("after", "starts"), [(1.9, True), (2.2, False)])
def test_the_answer_to_a_poll_after_the_broker_was_away_starts_its_tool_at_once(after: float, *, starts: bool) -> None:
    world = rested()
    world.lose()
    world.run(14)
    since = world.clocks.now
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    assert ("shop/router/get", "?") in world.commands(since)
    world.run(after - 0.6)
    world.say("shop/router/amps", "6")
    world.run(0.5)
    assert (("shop/gate/bench/set", "open") in world.commands(since)) is starts
    (last, *_) = [event for _, event in reversed(world.recorder.events) if isinstance(event, ev.Reading)]
    assert last == ev.Reading("router", 6.0, young=starts)


def test_an_answer_that_says_idle_is_followed_by_a_start_as_ever() -> None:
    world = World(DATED).connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    world.say("shop/router/amps", "0")
    world.run(5)
    since = world.clocks.now
    world.say("shop/router/amps", "6")
    world.run(0.1)
    assert ("shop/gate/bench/set", "open") in world.commands(since)
