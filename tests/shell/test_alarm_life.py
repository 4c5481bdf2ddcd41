"""An alarm is raised, acknowledged, cleared; one whose cause comes and goes neither storms nor is forgotten."""

import math
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shell_support import SHOP, World
from support.virtual_time import Clocks

from gatehand.shell import own_alarms
from gatehand.shell.alarms import COMINGS, SAY_AGAIN, WINDOW, Alarms, Life, ShownAlarm
from gatehand_rules.findings import Alarm

WALL = 1_800_000_000.0

MOST_A_MINUTE = 3 * COMINGS + math.ceil(WINDOW / SAY_AGAIN)
"""Messages for each alarm within any minute, at most: raised, acknowledged and cleared for each coming, and counts."""

SILENT = Alarm("tool", "saw", "silent")


def alarm(because: str = "It is loose.", since: float = WALL) -> ShownAlarm:
    return ShownAlarm(SILENT, because, "Push the plug home.", since=since)


def test_raised_acknowledged_cleared() -> None:
    life = Life()
    assert life.raise_(alarm(), 0)
    assert life.take_due(0)
    assert not life.take_due(0), "said once"
    assert life.acknowledge("Ida", WALL + 5, 5)
    assert life.alarm is not None
    assert (life.alarm.acknowledged, life.alarm.acknowledged_by) == (WALL + 5, "Ida")
    assert life.take_due(5)
    assert life.alarm is not None, "an acknowledgement clears nothing"
    assert life.clear(9)
    assert life.alarm is None
    assert life.take_due(9)
    assert not life.clear(10)


def test_only_what_stands_is_acknowledged_and_only_once() -> None:
    life = Life()
    assert not life.acknowledge("Ida", WALL, 0)
    life.raise_(alarm(), 1)
    assert life.acknowledge("Ida", WALL + 1, 1)
    assert not life.acknowledge("Jon", WALL + 2, 2)
    assert life.alarm is not None
    assert life.alarm.acknowledged_by == "Ida"


def test_an_alarm_that_comes_again_is_new() -> None:
    life = Life()
    life.raise_(alarm(), 0)
    life.acknowledge("Ida", WALL, 0)
    life.clear(1)
    assert life.raise_(alarm(since=WALL + 2), 2)
    assert life.alarm is not None
    assert (life.alarm.acknowledged, life.alarm.since, life.alarm.times) == (None, WALL + 2, 2)


def test_what_is_said_anew_of_a_standing_alarm_keeps_its_beginning_and_its_acknowledgement() -> None:
    life = Life()
    life.raise_(alarm(), 0)
    life.acknowledge(None, WALL + 1, 1)
    assert not life.raise_(alarm("It is gone.", since=WALL + 9), 9)
    assert life.alarm == replace(alarm("It is gone."), acknowledged=WALL + 1)


def storming() -> tuple[Life, float]:
    """A life that has come for the third time within a minute, and when."""
    life = Life()
    now = 0.0
    for n in range(COMINGS):
        now = n * 8.0
        life.raise_(alarm(since=WALL + now), now)
        if n < COMINGS - 1:
            assert life.clear(now + 4)
    return life, now


def test_the_third_coming_within_a_minute_stands_until_a_quiet_minute_has_passed() -> None:
    life, now = storming()
    assert life.storms
    assert not life.clear(now + 4)
    assert life.alarm is not None
    assert not life.pass_time(now + 4 + WINDOW - 0.01)
    assert life.alarm is not None
    assert life.pass_time(now + 4 + WINDOW)
    assert life.alarm is None
    assert not life.storms
    assert life.take_due(now + 4 + WINDOW)
    assert life.is_over(now + 4 + WINDOW)


def test_each_further_coming_is_counted_and_begins_the_quiet_anew() -> None:
    life, now = storming()
    for _ in range(10):
        assert not life.clear(now + 4)
        now += 30
        assert not life.raise_(alarm(), now)
        assert not life.pass_time(now + 29)
    assert life.alarm is not None
    assert life.alarm.times == COMINGS + 10


def test_a_cause_that_is_back_is_not_taken_for_gone() -> None:
    life, now = storming()
    life.clear(now + 1)
    life.raise_(alarm(), now + 2)
    assert not life.pass_time(now + 10 * WINDOW)
    assert life.alarm is not None


def test_an_alarm_that_comes_seldom_never_stands_without_its_cause() -> None:
    life = Life()
    for n in range(20):
        now = n * (WINDOW / 2 + 1)  # never three within a minute
        assert life.raise_(alarm(), now)
        assert life.clear(now + 1)
        assert life.alarm is None


def test_the_acknowledgement_of_a_storm_lasts_as_long_as_the_storm() -> None:
    life, now = storming()
    life.acknowledge("Ida", WALL + now, now)
    life.clear(now + 1)
    life.raise_(alarm(), now + 2)
    assert life.alarm is not None
    assert life.alarm.acknowledged == WALL + now
    life.clear(now + 3)
    life.pass_time(now + 3 + WINDOW)
    life.raise_(alarm(), now + 4 + WINDOW)
    assert life.alarm == replace(alarm(), times=1)


def test_other_words_for_the_same_alarm_are_said_every_ten_seconds_at_most_and_the_last_of_them_at_last() -> None:
    life = Life()
    life.raise_(alarm(), 0)
    said = [0.0] if life.take_due(0) else []
    for n in range(1, 600):
        now = n / 10
        life.raise_(alarm(f"It has been gone for {now} s."), now)
        if life.take_due(now):
            said.append(now)
    assert said == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    assert life.take_due(60.0)
    assert life.alarm is not None
    assert "59.9" in life.alarm.because


def test_an_acknowledgement_and_an_end_are_said_at_once() -> None:
    life = Life()
    life.raise_(alarm(), 0)
    assert life.take_due(0)
    life.raise_(alarm("It is gone."), 1)
    assert not life.take_due(1)
    life.acknowledge(None, WALL, 1.1)
    assert life.take_due(1.1)
    life.clear(1.2)
    assert life.take_due(1.2)


@dataclass(frozen=True, slots=True)
class Deed:
    """What happens after so many seconds."""

    after: float
    what: str


# Short gaps make storms; long ones end them.
DEEDS = st.lists(
    st.builds(
        Deed,
        after=st.one_of(st.floats(0, 3), st.floats(0, 40), st.floats(55, 130)),
        what=st.sampled_from(["raise", "raise", "other", "clear", "clear", "ack"]),
    ),
    max_size=120,
)


def told(deeds: list[Deed]) -> tuple[Alarms, list[tuple[float, bytes]], bool, Clocks]:
    """Play deeds with a look every second: the alarms, each message with its time, whether the cause is there."""
    clocks, cause = Clocks(WALL, 0.0), False
    alarms = Alarms("base", clocks)
    said: list[tuple[float, bytes]] = []

    def look() -> None:
        alarms.pass_time()
        said.extend((clocks.mono(), message.payload) for message in alarms.take_messages())

    for deed in deeds:
        until = clocks.now + deed.after
        while clocks.now + 1 < until:
            clocks.now += 1
            look()
        clocks.now = until
        match deed.what:
            case "raise" | "other":
                alarms.raise_(alarm("It is loose." if deed.what == "raise" else "It is gone."))
                cause = True
            case "clear":
                alarms.clear(SILENT)
                cause = False
            case _:
                alarms.acknowledge("tool.saw.silent", "Ida")
        look()
    return alarms, said, cause, clocks


@settings(max_examples=300, deadline=None)
@given(DEEDS)
def test_no_alarm_is_said_more_often_than_the_limit_in_any_minute(deeds: list[Deed]) -> None:
    _, said, _, _ = told(deeds)
    for at, _ in said:
        assert sum(1 for other, _ in said if at <= other < at + 60) <= MOST_A_MINUTE


@settings(max_examples=300, deadline=None)
@given(DEEDS)
def test_in_the_end_the_broker_has_what_is_so(deeds: list[Deed]) -> None:
    alarms, said, cause, clocks = told(deeds)
    assert alarms.raised or not cause, "a cause that is there is never hidden"
    clocks.now += WINDOW + SAY_AGAIN
    alarms.pass_time()
    said += [(clocks.mono(), message.payload) for message in alarms.take_messages()]
    assert bool(alarms.raised) is cause
    assert bool(said and said[-1][1]) is cause
    if cause:
        assert (b'"count"' in said[-1][1]) is True
    else:
        clocks.now += WINDOW
        alarms.pass_time()
        assert alarms._lives == {}, "nothing is kept of an alarm that is over"  # noqa: SLF001


# In the daemon


def flap(world: World, times: int) -> None:
    """The router's sensor leaves and comes back, every ten seconds."""
    for _ in range(times):
        world.say("shop/router/online", "0")
        world.run(5)
        world.engine.beat()
        world.say("shop/router/online", "1")
        world.run(5)
        world.engine.beat()


ONLINE = 'online = { topic = "shop/router/online", active = "1", clear = "0" }'


@pytest.fixture
def world() -> World:
    current = 'current = { topic = "shop/router/amps" }'
    return World(SHOP.replace(current, f"{current}\n{ONLINE}")).rested()


def test_a_sensor_with_a_loose_plug_raises_no_storm(world: World) -> None:
    world.say("shop/router/online", "1")
    before = len(world.transport.sent)
    flap(world, 60)
    said = [each for each in world.transport.sent[before:] if each.topic == "gatehand/alarm/tool.router.offline"]
    assert len(said) <= 10 * MOST_A_MINUTE
    assert len(said) < 80, "less often than the plug moves"
    shown = world.shown("alarm/tool.router.offline")
    assert shown["count"] > 50
    assert "comes and goes" in shown["because"]
    assert len(world.events("alarm_storm")) == 1
    world.run(70)
    world.engine.beat()
    assert world.shown("alarm/tool.router.offline") is None
    assert [line["times"] for line in world.events("alarm_storm_ended")] == [60]


def test_the_status_of_a_device_that_is_offline_says_since_when_also_where_its_state_is_what_it_was() -> None:
    own = 'command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }'
    gone = 'online = { topic = "shop/saw_gate/online", active = "1", clear = "0" }'
    world = World(SHOP.replace(own, f"{own}\n{gone}")).cutting()
    before = world.shown("gate/band_saw")
    world.say("shop/saw_gate/online", "0")
    shown = world.shown("gate/band_saw")
    assert shown.pop("offline_since") == world.shown("alarm/gate.band_saw.offline")["since"]
    assert (shown["state"], before["state"]) == ("open", "open")
    world.say("shop/saw_gate/online", "1")
    assert "offline_since" not in world.shown("gate/band_saw")


def test_a_status_is_of_now_where_an_alarm_that_comes_and_goes_is_still_shown(world: World) -> None:
    flap(world, 20)
    assert "comes and goes" in world.shown("alarm/tool.router.offline")["because"]
    assert "offline_since" not in world.shown("tool/router")
    world.say("shop/router/online", "0")
    assert world.shown("tool/router")["offline_since"] == world.shown("alarm/tool.router.offline")["since"]


def test_an_acknowledgement_is_shown_and_logged_and_moves_nothing(world: World) -> None:
    world.say("shop/router/online", "0")
    state, sent = world.engine.state, len(world.commands())
    world.run(1)
    world.say("gatehand/alarm/tool.router.offline/ack", "Ida")
    shown = world.shown("alarm/tool.router.offline")
    assert shown["acked_by"] == "Ida"
    assert shown["acked"] > shown["since"]
    line = world.events("alarm_acknowledged")[0]
    assert (line["alarm"], line["by"]) == ("tool.router.offline", "Ida")
    assert world.engine.state == state
    assert len(world.commands()) == sent
    world.say("shop/router/online", "1")
    assert world.shown("alarm/tool.router.offline") is None


@pytest.mark.parametrize("payload", [b"", b" ", b"\xff\x00" * 40, "Ida \u2028 Østby".encode()])
def test_whatever_the_acknowledgement_says_it_counts(world: World, payload: bytes) -> None:
    world.say("shop/router/online", "0")
    world.say("gatehand/alarm/tool.router.offline/ack", payload)
    shown = world.shown("alarm/tool.router.offline")
    assert shown["acked"] is not None
    assert shown["acked_by"] is None or len(shown["acked_by"]) < 200


def test_a_retained_acknowledgement_counts_for_nothing(world: World) -> None:
    world.say("shop/router/online", "0")
    world.say("gatehand/alarm/tool.router.offline/ack", "Ida", retained=True)
    assert world.shown("alarm/tool.router.offline")["acked"] is None
    assert not world.events("alarm_acknowledged")


def test_a_new_connection_shows_all_at_once_that_stands(world: World) -> None:
    flap(world, 5)
    world.transport.retained.clear()
    world.lose()
    world.connect(("shop/fan/state", "0"))
    assert world.shown("alarm/tool.router.offline") is not None


def test_every_alarm_of_the_shells_own_says_what_to_do_next() -> None:
    from inspect import getmembers, isfunction, signature

    from gatehand.config.signals import Suction
    from gatehand.mqtt.payload import Rejected
    from gatehand.shell.suction_watch import By, Expected, Way

    values = {
        "bad": Rejected("nothing at /amps", "{}"),
        "kind": "gate",
        "name": "bench",
        "key": "state",
        "topic": "shop/x",
        "problems": ["config.toml:3:1: error: found 3; wanted a table"],
        "topics": ("shop/x",),
        "held": ("main",),
        "why": "no space",
        "text": "it broke",
        "way": Way.HIGH,
        "gates": "band saw open",
        "table": Suction(topic="shop/x", unit="Pa"),
        "pascals": 2100.0,
        "expected": Expected(1000.0, 1500.0, 2000.0, By.DUCTS),
        "seconds": 60.0,
    }
    made = [
        make(**{name: values[name] for name in signature(make).parameters})
        for _, make in getmembers(own_alarms, isfunction)
        if make.__module__ == own_alarms.__name__ and signature(make).return_annotation is ShownAlarm
    ]
    assert len(made) > 6
    for each in made:
        assert each.next.endswith(".")
        assert len(each.next) > 20, each.id


def test_another_mistake_in_the_config_is_shown_at_once_and_another_count_is_not() -> None:
    life, first = Life(), own_alarms.config_rejected(["config.toml:3:1: error: one"])
    assert life.raise_(first, 0.0)
    assert life.take_due(0.0)
    life.raise_(own_alarms.config_rejected(["config.toml:4:1: error: another"]), 1.0)
    assert life.take_due(1.0), "somebody corrects the file just now"
    life.raise_(own_alarms.config_waits("the fan may still turn"), 2.0)
    assert life.take_due(2.0)
    other = Life()
    other.raise_(own_alarms.unheard("gate", "bench", "t"), 0.0)
    assert other.take_due(0.0)
    other.raise_(own_alarms.unheard("gate", "bench", "u"), 1.0)
    assert not other.take_due(1.0)
    assert other.take_due(SAY_AGAIN)
