"""Watts and contacts in the shell: how they are read, what gives way, what is shown and said of them."""

from typing import Any

import pytest
from shell_support import World, active_config_of

from gatehand.journal.sentences import sentence, sentence_of
from gatehand.mqtt.payload import LARGEST_AMPS, LARGEST_WATTS
from gatehand.mqtt.transport import Subscription
from gatehand.shell.alarm_words import words
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm, Finding, Happened, Rule

SHOP = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
running = { topic = "shop/fan/air", active = "1", clear = "0" }
spin_up = 1
coast_down = 2

[gate.bench]
command = { topic = "shop/gate/bench/set", open = "open", shut = "shut" }
travel = 1

[tool.router]
gates = ["bench"]
power = { topic = "shop/plug", pointer = "/router", scale = 1000 }
start_watts = 180
run_on = 0

[tool.sander]
gates = ["bench"]
running = { topic = "shop/sander", pointer = "/on", active = true, clear = false, poll = ASKED }
run_on = 0

[tool.lathe]
gates = ["bench"]
running = { topic = "shop/lathe", active = "ON", clear = "OFF" }
run_on = 0
""".replace("ASKED", '{ topic = "shop/ask", payload = "?" }')


def routes(text: str = SHOP) -> Routes:
    return active_config_of(text).routes


def heard(found: Routes, topic: str, payload: bytes, *, retained: bool = False) -> tuple[ev.Event, ...]:
    return found.events(topic, payload, retained=retained, now=0.0) or ()


# --- what a message means


def test_watts_are_taken_in_watts_through_pointer_and_scale() -> None:
    found = routes()
    assert heard(found, "shop/plug", b'{"router": 1.1184}') == (ev.Reading("router", 1118.4),)
    assert heard(found, "shop/plug", b'{"router": 400.0}') == (ev.Reading("router", 400_000.0),)


def test_a_power_beyond_what_any_meter_can_mean_is_rejected_as_a_current_is() -> None:
    (rejected,) = heard(routes(), "shop/plug", b'{"router": -400.001}')
    assert isinstance(rejected, ev.MessageRejected)
    assert "want a number within 400,000 either way" in rejected.why
    assert LARGEST_WATTS == 400 * LARGEST_AMPS == 400_000


def test_a_contact_reads_one_when_it_is_active_and_nought_when_it_is_clear() -> None:
    found = routes()
    assert heard(found, "shop/lathe", b"ON") == (ev.Reading("lathe", 1.0),)
    assert heard(found, "shop/lathe", b"OFF", retained=True) == (ev.Reading("lathe", 0.0, retained=True),)
    assert heard(found, "shop/sander", b'{"on": true}') == (ev.Reading("sander", 1.0),)
    assert heard(found, "shop/fan/air", b"0") == (ev.CollectorReading("main", 0.0),)
    assert heard(found, "shop/fan/air", b"1", retained=True) == (ev.CollectorReading("main", 1.0, retained=True),)


@pytest.mark.parametrize("payload", [b"on", b"", b"1", b"\xff", b'{"on": "ON"}'])
def test_another_word_of_a_contact_is_rejected(payload: bytes) -> None:
    (rejected,) = heard(routes(), "shop/lathe", payload)
    assert isinstance(rejected, ev.MessageRejected)
    assert (rejected.kind, rejected.name) == ("tool", "lathe")
    assert rejected.why.startswith("running: ")


def test_what_a_contact_answers_to_a_question_is_young() -> None:
    found = routes()
    assert heard(found, "shop/sander", b'{"on": true}') == (ev.Reading("sander", 1.0),)
    found.asked("tool", "sander", "running", 0.0)
    assert heard(found, "shop/sander", b'{"on": true}') == (ev.Reading("sander", 1.0, young=True),)


def test_readings_give_way_to_newer_ones_and_a_contacts_words_never_do() -> None:
    """A cut that came and went between two words was one; of a meter the newest reading tells enough."""
    by_topic = {one.topic: one for one in routes().live}
    assert by_topic["shop/plug"] == Subscription("shop/plug", 0, sheddable=True, pointers=("/router",))
    for topic in ("shop/lathe", "shop/sander", "shop/fan/air"):
        assert by_topic[topic] == Subscription(topic, 1)


def test_a_topic_on_which_a_meter_and_a_contact_speak_gives_nothing_away() -> None:
    text = SHOP.replace('"shop/plug", pointer = "/router"', '"shop/sander", pointer = "/watts"')
    (found,) = (one for one in routes(text).live if one.topic == "shop/sander")
    assert not found.sheddable
    assert found.qos == 1


# --- what is shown


def cutting() -> World:
    """At rest, then the router cuts."""
    world = World(SHOP).connect(("shop/fan/air", "0"), ("shop/lathe", "OFF"))
    world.say("shop/plug", '{"router": 0.003}')
    world.say("shop/sander", '{"on": false}')
    world.say("shop/lathe", "OFF")
    world.say("shop/fan/air", "0")
    world.run(4)
    world.say("shop/plug", '{"router": 1.2}')
    world.run(1.5)
    return world


def test_a_status_shows_what_is_measured_and_its_thresholds() -> None:
    world = cutting()
    router, lathe = world.shown("tool/router"), world.shown("tool/lathe")
    assert (router["state"], router["watts"], router["start_watts"], router["stop_watts"]) == (
        "running",
        1200,
        180,
        126,
    )
    assert router["because"] == "router started: 1200 W, at or above its start_watts of 180 W"
    assert (lathe["state"], lathe["running"]) == ("idle", False)
    names = {"amps", "start_amps", "stop_amps", "start_running", "stop_running"}
    assert not names & (router.keys() | lathe.keys())
    assert not {"watts", "start_watts"} & lathe.keys()


def test_a_contact_is_shown_when_it_changes_and_watts_when_they_have_moved_visibly() -> None:
    world = cutting()
    world.say("shop/lathe", "ON")
    assert world.shown("tool/lathe")["running"] is True
    assert world.shown("tool/lathe")["because"] == "lathe started: its contact says running"
    world.say("shop/plug", '{"router": 1.203}')
    world.engine.beat()
    assert world.shown("tool/router")["watts"] == 1200, "3 W are less than 2 % of its threshold"
    world.say("shop/plug", '{"router": 1.204}')
    world.engine.beat()
    assert world.shown("tool/router")["watts"] == 1204


def test_a_motor_proven_by_its_contact() -> None:
    world = cutting()
    assert world.commands()[-1] == ("shop/fan/set", "1")
    world.say("shop/fan/air", "1")
    assert [line["drawing"] for line in world.events("collector_running")] == [True]
    world.run(1.5)
    assert world.shown("collector/main")["state"] == "running"


def test_a_contact_that_says_another_word_is_not_called_silent_and_the_alarm_shows_what_it_said() -> None:
    world = cutting()
    for _ in range(70):
        world.say("shop/lathe", "maybe")
        world.run(1)
        world.say("shop/plug", '{"router": 1.2}')
        world.engine.beat()
    assert world.shown("alarm/tool.lathe.silent") is None
    assert world.shown("tool/lathe")["state"] == "idle"
    found = world.shown("alarm/tool.lathe.unheard")
    assert "said 'maybe'" in found["because"]
    assert "want 'ON' or 'OFF'" in found["because"]
    assert "(running: topic, pointer, words)" in found["next"]


def test_a_contact_may_be_silent_for_as_long_as_it_likes() -> None:
    world = cutting()
    for _ in range(300):
        world.run(1)
        world.say("shop/plug", '{"router": 1.2}')
        world.engine.beat()
    assert not world.events("tool_silent")
    assert world.shown("tool/lathe")["state"] == "idle"


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"watts": 118.0, "start_watts": 100.0}, "lathe started: 118 W, at or above its start_watts of 100 W"),
        ({"watts": 12_345.6, "start_watts": 100.0}, "lathe started: 12346 W, at or above its start_watts of 100 W"),
        ({"running": True}, "lathe started: its contact says running"),
        ({"running": True, "start_after": 2.0}, "lathe started: its contact says running for 2 s"),
    ],
)
def test_a_start_is_said_in_what_was_measured(facts: dict[str, Any], said: str) -> None:
    finding = Finding(
        event=Happened.TOOL_STARTED, rule=Rule.START_THRESHOLD, tool="lathe", facts=tuple({**facts}.items())
    )
    assert sentence_of(finding) == said


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            {"event": "tool_silent", "rule": "silent_after", "silent_after": 30.0, "was": "idle", "last_watts": 3.2},
            "lathe: no reading from its sensor for 30 s; it was idle, last reading 3.2 W",
        ),
        (
            {
                "event": "tool_silent",
                "rule": "silent_after",
                "silent_after": 30.0,
                "was": "idle",
                "last_running": False,
            },
            "lathe: no reading from its sensor for 30 s; it was idle, last reading stopped",
        ),
        (
            {"event": "tool_heard", "rule": "silent_after", "silent_for": 9.0, "running": False},
            "lathe: its sensor is heard again after 9 s: its contact says stopped",
        ),
        (
            {
                "event": "start_missed",
                "rule": "below_start_threshold",
                "peak": 90.0,
                "start_watts": 100.0,
                "lasted": 4.0,
            },
            "lathe did not count as running: it drew 90 W at most in 4 s, below its start_watts of 100 W",
        ),
        (
            {"event": "tool_muted", "rule": "run_limit", "watts": 300.0, "stop_watts": 70.0},
            ("lathe is muted until it has stopped, it has run for longer than its run_limit (it must fall below 70 W)"),
        ),
        (
            {"event": "tool_muted", "rule": "button", "running": True},
            "lathe is muted until it has stopped, a button was pressed",
        ),
        (
            {"event": "start_refused", "rule": "off_asked", "running": True},
            (
                "start refused: lathe was already running (its contact says running) when the collector was switched "
                "off; switch it off and on again"
            ),
        ),
    ],
)
def test_lines_of_a_meter_in_watts_and_of_a_contact_read_whole(line: dict[str, Any], said: str) -> None:
    assert sentence({"tool": "lathe", **line}) == said


@pytest.mark.parametrize(
    ("facts", "because"),
    [
        ({"amps": 6.4}, "The lathe was already running when first seen (it drew 6.4 A), so it starts nothing."),
        ({"watts": 900.0}, "The lathe was already running when first seen (it drew 900 W), so it starts nothing."),
        (
            {"running": True},
            "The lathe was already running when first seen (its contact said running), so it starts nothing.",
        ),
    ],
)
def test_an_alarm_says_what_was_measured(facts: dict[str, Any], because: str) -> None:
    assert words(Alarm("tool", "lathe", "not_fresh"), Rule.FIRST_SEEN_DRAWING, facts)[0] == because
