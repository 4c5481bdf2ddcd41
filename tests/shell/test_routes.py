"""From a message to what it means."""

import pytest
from shell_support import SHOP, World, active_config_of

from gatehand.mqtt.payload import LARGEST_AMPS
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, OpenGate, RaiseAlarm, ShutGate
from gatehand_rules.findings import Alarm
from gatehand_rules.words import Position

EXTRA = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
current = { topic = "shop/power", pointer = "/fan", scale = 0.001 }
bin_full = { topic = "shop/bin", active = "full", clear = "ok" }
online = { topic = "shop/fan/online", active = "online", clear = "offline" }

[gate.lathe]
command = { topic = "shop/gate/lathe/set", open = 1, shut = 0 }
state = { topic = "shop/panel", pointer = "/lathe", open = true, shut = false }
button = { topic = "shop/panel", pointer = "/button", pressed = "lathe" }

[gate.sweep]
state = { topic = "shop/sweep", open = "open", shut = "shut" }

[tool.lathe]
gates = ["lathe"]
current = { topic = "shop/power", pointer = "/lathe", scale = 0.001 }
start_amps = 2

[tool.sander]
gates = ["lathe"]
current = { topic = "shop/power", pointer = "/sander", scale = 0.001 }
start_amps = 2
"""


def routes(text: str = SHOP) -> Routes:
    return active_config_of(text).routes


def heard(found: Routes, topic: str, payload: bytes, *, retained: bool = False) -> tuple[ev.Event, ...]:
    events = found.events(topic, payload, retained=retained, now=0.0)
    if events is None:
        request = found.requests.read(topic, payload, retained=retained, now=0.0)
        assert request is not None, "nobody listens there"
        return request.events
    return events


def test_each_kind_of_message_becomes_its_event() -> None:
    found = routes()
    assert heard(found, "shop/band_saw/amps", b"5.1234") == (ev.Reading("band_saw", 5.123),)
    assert heard(found, "shop/band_saw/amps", b"5", retained=True) == (ev.Reading("band_saw", 5.0, retained=True),)
    assert heard(found, "shop/fan/state", b"1") == (ev.CollectorReport("main", on=True),)
    assert heard(found, "shop/gate/band_saw/state", b"shut") == (ev.GateReport("band_saw", Position.SHUT),)
    assert heard(found, "shop/gate/band_saw/button", b"1") == (ev.ButtonPressed("band_saw"),)
    assert heard(found, "shop/estop", b"1") == (ev.StopReport("emergency", active=True),)
    assert heard(found, "gatehand/gate/bench/hand", b"1") == (ev.HandAsked("bench", on=True),)
    assert heard(found, "gatehand/gate/bench/hand", b"0") == (ev.HandAsked("bench", on=False),)
    assert heard(found, "gatehand/collector/main/reset", b"") == (ev.ResetAsked("main"),)
    assert heard(found, "gatehand/collector/main/hold", b"filter") == (ev.HoldAsked("main", "filter"),)


def test_the_optional_signals_become_their_events() -> None:
    found = routes(EXTRA)
    assert heard(found, "shop/bin", b"full") == (ev.BinReport("main", full=True),)
    assert heard(found, "shop/fan/online", b"offline") == (ev.DeviceOnline("collector", "main", online=False),)
    assert heard(found, "shop/sweep", b"open", retained=True) == (ev.GateReport("sweep", Position.OPEN, retained=True),)


def test_what_a_stops_device_says_of_itself_is_no_word_of_the_contact() -> None:
    """It comes over the connection of the rest: the stop contacts' own shall have nothing to do but them."""
    said = 'clear = "0"\nonline = { topic = "shop/estop/online", active = "here", clear = "gone" }\n'
    found = routes(SHOP.replace('clear = "0"\n', said))
    assert heard(found, "shop/estop/online", b"gone", retained=True) == (
        ev.DeviceOnline("stop", "emergency", online=False, retained=True),
    )
    assert heard(found, "shop/estop/online", b"here") == (ev.DeviceOnline("stop", "emergency", online=True),)
    (odd,) = heard(found, "shop/estop/online", b"1")
    assert isinstance(odd, ev.MessageRejected)
    assert (odd.kind, odd.name, odd.why.partition(":")[0]) == ("stop", "emergency", "online")
    assert [one.topic for one in found.live if one.apart] == ["shop/estop"]


def test_one_message_on_a_shared_topic_speaks_for_each_device_that_it_names() -> None:
    found = routes(EXTRA)
    payload = b'{"fan": 9000, "lathe": 2500, "sander": 100}'
    assert heard(found, "shop/power", payload) == (
        ev.CollectorReading("main", 9.0),
        ev.Reading("lathe", 2.5),
        ev.Reading("sander", 0.1),
    )
    assert heard(found, "shop/panel", b'{"lathe": true, "button": "lathe"}') == (
        ev.GateReport("lathe", Position.OPEN),
        ev.ButtonPressed("lathe"),
    )


@pytest.mark.parametrize(
    ("payload", "amps"), [(b"-0", "0.0"), (b"-0.0004", "0.0"), (b"1.2344", "1.234"), (b"-3", "-3.0")]
)
def test_a_current_is_taken_in_whole_milliampere_and_without_a_minus_zero(payload: bytes, amps: str) -> None:
    (event,) = heard(routes(), "shop/band_saw/amps", payload)
    assert isinstance(event, ev.Reading)
    assert repr(event.value) == amps


def test_a_current_beyond_what_any_sensor_can_mean_is_rejected() -> None:
    found = routes()
    assert heard(found, "shop/band_saw/amps", b"1000") == (ev.Reading("band_saw", 1000.0),)
    (rejected,) = heard(found, "shop/band_saw/amps", b"1000.001")
    assert isinstance(rejected, ev.MessageRejected)
    assert "want a number within 1,000 either way" in rejected.why
    assert LARGEST_AMPS == 1000.0


def test_a_stop_contact_whose_word_is_another_is_an_event_of_its_own() -> None:
    assert heard(routes(), "shop/estop", b"perhaps") == (ev.StopUnclear("emergency", "perhaps"),)


def test_a_word_that_is_neither_open_nor_shut_is_a_gate_in_between() -> None:
    assert heard(routes(), "shop/gate/band_saw/state", b"moving") == (
        ev.GateReport("band_saw", Position.BETWEEN, says="moving"),
    )
    long = heard(routes(), "shop/gate/band_saw/state", b"x" * 5000)[0]
    assert isinstance(long, ev.GateReport)
    assert len(long.says) < 300, "no more than a log can bear"


def test_a_button_that_says_another_word_says_nothing() -> None:
    assert heard(routes(), "shop/gate/band_saw/button", b"0") == ()


@pytest.mark.parametrize(
    ("topic", "payload", "kind", "name"),
    [
        ("shop/band_saw/amps", b"NaN", "tool", "band_saw"),
        ("shop/band_saw/amps", b"true", "tool", "band_saw"),
        ("shop/band_saw/amps", b"1001", "tool", "band_saw"),
        ("shop/band_saw/amps", b"\xff\xfe", "tool", "band_saw"),
        ("shop/band_saw/amps", b"9" * 70_000, "tool", "band_saw"),
        ("shop/gate/band_saw/state", b"\xff", "gate", "band_saw"),
        ("shop/gate/band_saw/button", b"\xff", "gate", "band_saw"),
        ("shop/estop", b"\xff", "stop", "emergency"),
        ("shop/fan/state", b"", "collector", "main"),
        ("gatehand/gate/bench/hand", b"on", "gate", "bench"),
    ],
)
def test_what_cannot_be_read_is_rejected_and_names_its_device(topic: str, payload: bytes, kind: str, name: str) -> None:
    (event,) = heard(routes(), topic, payload)
    assert isinstance(event, ev.MessageRejected)
    assert (event.kind, event.name) == (kind, name)
    assert "found" in event.why
    assert "want" in event.why
    assert len(event.shown) < 100


def test_a_device_that_sends_rubbish_ten_times_a_second_makes_two_events_a_minute_at_most() -> None:
    found = routes()
    events: list[ev.Event] = []
    for tick in range(1200):  # two minutes
        now = tick / 10
        events += found.events("shop/band_saw/amps", b"rubbish", retained=False, now=now) or ()
        if tick % 10 == 0:
            events += found.rejections.overdue(now)
    assert len(events) == 2
    assert isinstance(events[1], ev.MessageRejected)
    assert "600 more in the last 60 s" in events[1].why


def test_readings_may_give_way_and_nothing_else_does() -> None:
    wanted = {each.topic: each for each in routes(EXTRA).live}
    assert wanted["shop/power"] == Subscription(
        "shop/power", qos=0, sheddable=True, pointers=("/fan", "/lathe", "/sander")
    )
    for topic in ("shop/panel", "shop/bin", "shop/sweep", "gatehand/reload", "gatehand/gate/sweep/hand"):
        assert wanted[topic] == Subscription(topic, qos=1, sheddable=False)


def test_command_topics_and_our_own_status_are_looked_at_on_each_connection_only() -> None:
    found = routes()
    live, first = ({each.topic for each in some} for some in (found.live, found.first))
    assert live < first
    assert first - live == {
        "shop/fan/set",
        "shop/gate/band_saw/set",
        "shop/gate/bench/set",
        "gatehand/tool/+",
        "gatehand/gate/+",
        "gatehand/collector/main",
        "gatehand/collector/+",
        "gatehand/alarm/+",
    }
    assert found.first[0].topic == "gatehand/collector/main", "a hold comes before all that is many"


def test_a_retained_message_on_a_command_topic_is_told_apart_from_the_echo_of_our_own() -> None:
    world = World().rested()
    alarm = "alarm/collector.main.retained_command"
    world.say("shop/fan/set", "1")
    world.say("shop/fan/set", "", retained=True)
    assert world.shown(alarm) is None
    world.say("shop/fan/set", "1", retained=True)
    assert "'shop/fan/set'" in world.shown(alarm)["because"]


@pytest.mark.parametrize(
    ("payload", "state"),
    [
        ('{"state": "held"}', "held"),
        ('{"state": "off"}', "off"),
        ("[" * 100_000, "off"),
        ("7", "off"),
        ("\ufffe", "off"),
    ],
)
def test_our_own_retained_status_says_whether_a_collector_was_held(payload: str, state: str) -> None:
    world = World().connect(("shop/fan/state", "0"), ("gatehand/collector/main", payload))
    world.run(3)
    assert world.shown("collector/main")["state"] == state


def test_a_status_that_is_no_text_holds_nothing() -> None:
    world = World()
    world.transport.connected = True
    world.engine.on_connected(Connected("5", "127.0.0.1", 1883))
    world.say("gatehand/collector/main", b"\xff", retained=True)
    world.engine.on_settled()
    world.run(3)
    assert world.shown("collector/main")["state"] != "held"


def test_a_reload_is_asked_by_a_live_message_only() -> None:
    world = World().rested()
    world.say("gatehand/reload", "abc", retained=True)
    assert world.engine.take_reload_asked() == ()
    world.say("gatehand/reload", "abc")
    assert world.engine.take_reload_asked() == ("abc",)


def test_commands_become_the_configured_payloads() -> None:
    told = active_config_of(EXTRA).encoder
    assert told.message(CollectorOn("main")) == Outgoing("shop/fan/set", b"1", MessageKind.ACT)
    assert told.message(CollectorOff("main")) == Outgoing("shop/fan/set", b"0", MessageKind.OFF)
    assert told.message(OpenGate("lathe")) == Outgoing("shop/gate/lathe/set", b"1", MessageKind.ACT)
    assert told.message(ShutGate("lathe")) == Outgoing("shop/gate/lathe/set", b"0", MessageKind.ACT)
    assert told.message(OpenGate("sweep")) is None
    assert told.message(RaiseAlarm(Alarm("tool", "saw", "silent"))) is None
