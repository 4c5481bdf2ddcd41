"""What a screen asks for, and the answer that it gets."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shell_support import World, active_config_of

from gatehand.journal.sentences import sentence
from gatehand.mqtt.transport import MessageKind
from gatehand.shell.requests import Request
from gatehand_rules import events as ev
from gatehand_rules.state import collector_word

HAND, RESET = "gatehand/gate/band_saw/hand", "gatehand/collector/main/reset"
HOLD, OFF = "gatehand/collector/main/hold", "gatehand/collector/main/off"
FAN = "shop/fan/set"


def asked(topic: str, payload: object, *, retained: bool = False) -> Request:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    found = active_config_of().routes.requests.read(topic, raw, retained=retained, now=100.0)
    assert found is not None
    return found


def answers(world: World) -> dict[str, Any]:
    """By id; each is sent once, and never retained."""
    sent = [one for one in world.transport.sent if one.topic.startswith("gatehand/answer/")]
    assert {one.kind for one in sent} <= {MessageKind.EVENT}
    assert len({one.topic for one in sent}) == len(sent)
    return {one.topic.removeprefix("gatehand/answer/"): json.loads(one.text) for one in sent}


def say(world: World, topic: str, **payload: object) -> None:
    world.say(topic, json.dumps(payload))


@pytest.mark.parametrize(
    ("topic", "payload", "event"),
    [
        (HAND, {"value": "1"}, ev.HandAsked("band_saw", on=True)),
        (HAND, {"value": 1}, ev.HandAsked("band_saw", on=True)),
        (HAND, {"value": True, "by": "phone"}, ev.HandAsked("band_saw", on=True, by="phone")),
        (HAND, {"value": 0, "because": "swept"}, ev.HandAsked("band_saw", on=False, because="swept")),
        (HAND, b"1", ev.HandAsked("band_saw", on=True)),
        (RESET, {"id": "a", "by": "page"}, ev.ResetAsked("main", by="page")),
        (RESET, {"value": 1}, ev.ResetAsked("main")),
        (RESET, {"pressed": True}, ev.ResetAsked("main")),
        (RESET, b"{", ev.ResetAsked("main")),
        (RESET, b"", ev.ResetAsked("main")),
        (HOLD, {"because": "filter", "by": "page"}, ev.HoldAsked("main", "filter", by="page")),
        (HOLD, {"value": "filter"}, ev.HoldAsked("main", "filter")),
        (HOLD, {"value": 1}, ev.HoldAsked("main", "")),
        (HOLD, b"filter change", ev.HoldAsked("main", "filter change")),
        (HOLD, b"", ev.HoldAsked("main", "")),
        (OFF, {"because": "night", "by": "page"}, ev.OffAsked("main", because="night", by="page")),
        (OFF, b"", ev.OffAsked("main")),
        (OFF, b"\xff{", ev.OffAsked("main")),
    ],
)
def test_a_plain_word_and_an_object_ask_for_the_same(topic: str, payload: object, event: ev.Event) -> None:
    found = asked(topic, payload)
    assert found.events == (event,)
    assert found.rejected is None


def test_what_a_retained_one_asks_is_old_and_nobody_waits_for_its_answer() -> None:
    found = asked(RESET, {"id": "a"}, retained=True)
    assert found == Request((ev.ResetAsked("main", retained=True),))


@pytest.mark.parametrize("name", ["", "a/b", "a b", "+", "#", "x" * 65, "é", "a\n", 7, None, ["a"]])
def test_an_id_that_is_no_topic_level_of_its_own_gets_no_answer_and_a_finding(name: object) -> None:
    for topic in (HAND, RESET):
        found = asked(topic, {"id": name, "value": 1})
        assert found.id == ""
        assert found.rejected is not None
        assert found.events == (found.rejected,)
        assert "found an id that is not" in found.rejected.why
        assert "want" in found.rejected.why


@pytest.mark.parametrize("name", ["a", "A-z_09", "x" * 64])
def test_an_id_may_have_64_letters_digits_bars_and_dashes(name: str) -> None:
    assert asked(RESET, {"id": name}).id == name


@pytest.mark.parametrize(
    ("topic", "payload", "says"),
    [
        (HAND, {"id": "a"}, "hand: found no value, want value '1' or '0'"),
        (HAND, {"id": "a", "value": "on"}, "hand: found another word, want '1' or '0'"),
        (HAND, {"id": "a", "value": {}}, "hand: found a value that is not a word, want a plain word, or an object of"),
        (HAND, {"id": "a", "valeu": 1}, "hand: found 'valeu' in the object, want a plain word, or an object of id,"),
        (RESET, {"id": "a", "by": 3}, "reset: found by that is not text, want a plain word"),
        (RESET, {"id": "a", "value": False}, "reset: found value 0, want 1 or none"),
        (HOLD, {"id": "a", "value": 0}, "hold: found value 0, want 1 or a reason: a hold ends by a reset"),
    ],
)
def test_a_shape_that_is_not_known_is_rejected_with_what_came_and_what_was_wanted(
    topic: str, payload: object, says: str
) -> None:
    found = asked(topic, payload)
    assert found.id == "a"
    (event,) = found.events
    assert isinstance(event, ev.MessageRejected)
    assert says in event.why
    assert event.shown


@pytest.mark.parametrize("topic", [OFF, HOLD])
def test_what_asks_for_caution_is_done_however_it_is_written(topic: str) -> None:
    found = asked(topic, {"id": "a/b", "because": "smoke"})
    bad, event = found.events
    assert isinstance(bad, ev.MessageRejected)
    assert "it was done all the same" in bad.why
    assert event in {ev.OffAsked("main", because="smoke"), ev.HoldAsked("main", "smoke")}


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["id", "value", "by", "x"]), inner),
    max_leaves=8,
)


@given(st.sampled_from([HAND, RESET, HOLD, OFF]), st.binary(max_size=200) | JSON)
def test_no_payload_is_more_than_an_event_or_a_finding(topic: str, payload: object) -> None:
    found = asked(topic, payload)
    assert found.events
    if topic == OFF:
        assert isinstance(found.events[-1], ev.OffAsked)


# --- answers


def test_a_hold_and_its_reset_are_answered_with_the_sentence_of_what_decided() -> None:
    world = World().cutting()
    say(world, HOLD, id="h1", value="1", because="filter", by="page")
    assert answers(world)["h1"] == {
        "ok": True,
        "rule": "hold",
        "text": "collector is on hold (filter), until somebody resets it; asked for by page",
    }
    line = world.events("collector_held")[-1]
    assert (line["why"], line["by"]) == ("filter", "page")
    say(world, HOLD, id="h2")
    assert answers(world)["h2"]["ok"] is True
    assert len(world.events("collector_held")) == 1
    world.run(3)
    say(world, RESET, id="r1", by="page", because="done")
    assert answers(world)["r1"] == {
        "ok": True,
        "rule": "hold",
        "text": "collector is no longer on hold (filter): it was reset by page (done); the next fresh start counts",
    }
    assert answers(world)["r1"]["text"] == sentence(world.events("hold_reset")[-1])


def test_a_refused_reset_says_to_wait_and_press_once_also_when_the_log_does_not() -> None:
    world = World().cutting()
    world.say(HOLD, "filter")
    world.run(3)
    world.say("shop/estop", "1")
    say(world, RESET, id="r1")
    world.say("shop/estop", "0")
    world.run(0.5)
    for name in ("r2", "r3", "r4"):
        say(world, RESET, id=name)
        world.run(0.5)
    found = answers(world)
    assert found["r1"]["rule"] == "stop_contact"
    assert [found[name]["ok"] for name in ("r1", "r2", "r3", "r4")] == [False] * 4
    assert all("wait 2 s and press once" in found[name]["text"] for name in ("r2", "r3", "r4"))
    assert {found[name]["rule"] for name in ("r2", "r3", "r4")} == {"reset_repeated"}
    assert len(world.events("reset_refused")) == 2


def test_a_hand_start_is_answered_and_so_is_one_that_is_refused() -> None:
    world = World().rested()
    say(world, HAND, id="a", value=1, by="phone")
    assert answers(world)["a"]["ok"] is True
    assert answers(world)["a"]["text"].startswith("gate band saw: hand start asked for by phone")
    say(world, HAND, id="b", value=1)
    assert answers(world)["b"]["ok"] is True
    say(world, HAND, id="c", value=0)
    assert answers(world)["c"]["ok"] is True
    say(world, HAND, id="d", value=0)
    assert answers(world)["d"]["ok"] is True
    assert len(world.events("hand_started", "hand_ended")) == 2
    world.say(HOLD, "filter")
    say(world, HAND, id="e", value=1)
    assert (answers(world)["e"]["ok"], answers(world)["e"]["rule"]) == (False, "hold")
    say(world, HAND, id="f", value="maybe")
    assert (answers(world)["f"]["ok"], answers(world)["f"]["rule"]) == (False, "bad_value")
    assert "want '1' or '0'" in answers(world)["f"]["text"]


def test_off_is_answered_and_switches_off_a_fan_that_is_refreshed() -> None:
    world = World().cutting()
    since = world.clocks.now
    say(world, OFF, id="o", because="going home", by="page")
    world.run(0.1)
    assert (FAN, "0") in world.commands(since)
    assert answers(world)["o"]["ok"] is True
    assert "going home" in answers(world)["o"]["text"]
    assert world.shown("alarm/tool.band_saw.not_fresh")["because"].startswith(
        "The band saw was already running when the collector was switched off on request"
    )
    world.run(120)
    assert (FAN, "1") not in world.commands(since)


def test_an_answer_comes_in_the_same_instant_and_stalls_with_no_disk() -> None:
    world = World().cutting()
    world.log.stalled = True
    say(world, OFF, id="o")
    assert answers(world)["o"]["ok"] is True


def test_whoever_asks_while_the_rules_fail_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().rested()

    def broken(*_args: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("gatehand_rules.hands.start_hand", broken)
    say(world, HAND, id="a", value=1)
    assert (answers(world)["a"]["ok"], answers(world)["a"]["rule"]) == (False, "internal_error")
    assert collector_word(world.engine.state.collectors[0]) == "held"


def test_without_an_id_nobody_is_answered() -> None:
    world = World().cutting()
    world.say(HOLD, "filter")
    say(world, HOLD, by="page")
    assert answers(world) == {}


# --- an upgrade


def test_retained_alarms_with_ids_of_before_are_emptied_at_an_upgrade() -> None:
    world = World()
    old = ("stop_emergency", "collector_main_held", "tool_band_saw_not_fresh")
    world.connect(*((f"gatehand/alarm/{name}", '{"because": "x"}') for name in old))
    world.run(1)
    assert {name: world.transport.retained.get(f"gatehand/alarm/{name}") for name in old} == dict.fromkeys(old, "")
