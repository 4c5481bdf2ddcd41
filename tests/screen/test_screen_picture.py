"""What a picture makes of messages: states, events, what is no status at all."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.status_shop import NOON, Heard, alarm, collector, gate, small_shop, tool

from gatehand.screen.daemon_status import read


def told(heard: Heard) -> list[str]:
    return [event.text for event in heard.status.events]


def test_what_was_there_before_the_screen_is_no_event() -> None:
    heard = small_shop().say("alarm/config", alarm("The changed config was not taken."), retained=True)
    assert told(heard) == []
    assert list(heard.status.alarms) == ["config"]


def test_changes_are_told_in_the_daemons_sentences() -> None:
    heard = small_shop()
    heard.say("tool/band_saw", tool("running", 5.0, NOON + 1, because="band saw started: 5 A, at or above 2.5 A"))
    heard.say("gate/band_saw", gate("opening", NOON + 1, because="gate band_saw told to open"))
    heard.say("gate/band_saw", gate("open", NOON + 2, because="gate band saw is open: it reported after 0.4 s"))
    heard.say("collector/main", collector("spin_up", NOON + 2, because="collector switched on"))
    heard.say("collector/main", collector("running", NOON + 5, because="collector switched on"))
    assert told(heard) == [
        "band saw started: 5 A, at or above 2.5 A",
        "gate band saw is open: it reported after 0.4 s",
        "collector spin-up: switched on",
        "collector: running",
    ]
    assert [event.at - NOON for event in heard.status.events] == [1, 2, 2, 5]


def test_a_cut_that_was_not_noticed_is_told_though_no_state_changed() -> None:
    heard = small_shop()
    why = "band saw was not taken for running: it drew 1.1 A at most in 2 s, below its start_amps of 2.5 A"
    heard.say("tool/band_saw", tool(because=why))
    heard.say("tool/band_saw", tool(amps=0.07, because=why))
    assert told(heard) == [why]


def test_readings_alone_are_no_events() -> None:
    heard = small_shop()
    for n in range(5):
        heard.say("tool/band_saw", tool(amps=n / 10))
    assert told(heard) == []


def test_a_new_connection_forgets_what_the_broker_no_longer_has_and_tells_what_changed_meanwhile() -> None:
    heard = small_shop().say("alarm/config", alarm("Not taken."))
    heard.status.lost("gone", heard.at)
    heard.status.connected()
    assert not heard.status.tools
    assert not heard.status.alarms
    heard.say("tool/jointer", tool("running", 6.0, because="jointer started: 6 A"), retained=True)
    assert told(heard)[-1] == "jointer started: 6 A"


def test_well_is_a_daemon_that_is_there_without_alarms() -> None:
    heard = small_shop()
    assert heard.status.is_well
    assert not heard.say("alarm/config", alarm("Not taken.")).status.is_well
    assert heard.say("alarm/config", b"").status.is_well
    assert not heard.say("online", "0").status.is_well
    assert heard.say("online", "1").status.is_well
    heard.status.lost("gone", heard.at)
    assert not heard.status.is_well


@pytest.mark.parametrize("payload", [b"", b"5", b"[]", b"{", b"\xff", b"[" * 100_000, b'{"state": 1e999}', b"{}"])
def test_a_message_that_is_no_status_breaks_nothing(payload: bytes) -> None:
    heard = small_shop()
    for topic in ("tool/band_saw", "collector/main", "alarm/x", "gate/new", "tool/a/b", "config", "online"):
        heard.say(topic, payload)
        heard.lines()


@given(st.dictionaries(st.text(max_size=12), st.none() | st.booleans() | st.floats() | st.text() | st.integers()))
def test_facts_of_any_kind_are_read_or_passed_over(facts: dict[str, object]) -> None:
    heard = small_shop()
    for key in ("state", "since", "because", "amps", "start_amps", "run_on_ends", "held", "hand", "running"):
        heard.say("tool/band_saw", tool() | {key: next(iter(facts.values()), None)} | facts)
        heard.say("collector/main", collector() | facts | {key: next(iter(facts.values()), None)})
        heard.say("gate/jointer", gate() | {key: next(iter(facts.values()), None)})
        heard.lines()


def test_a_status_message_is_a_json_object() -> None:
    said = read(b'{"state": "off", "amps": true, "since": "soon"}')
    assert said is not None
    assert (said.text("state"), said.number("amps"), said.moment("since")) == ("off", None, None)
    assert read(b"12") is None
