"""The inbox: readings give way when the shell falls behind; what is said once never does."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand.mqtt.inbox import Inbox, Message

READINGS: dict[str, tuple[str, ...]] = {"saw/amps": (), "router/amps": ()}
PANEL = {"panel": ("/saw", "/router")}


def message(topic: str, number: int) -> Message:
    return Message(topic, str(number).encode(), retained=False, received=float(number))


def filled(busy: int = 4, full: int = 8) -> Inbox:
    inbox = Inbox(busy, full)
    inbox.set_sheddable(READINGS)
    return inbox


def drain(inbox: Inbox) -> list[tuple[str, int]]:
    out = []
    while (taken := inbox.take()) is not None:
        out.append((taken.topic, int(taken.payload)))
    return out


def test_a_shell_that_keeps_up_sees_every_reading() -> None:
    inbox = filled()
    for number in range(4):
        inbox.put(message("saw/amps", number))
    assert drain(inbox) == [("saw/amps", number) for number in range(4)]
    assert inbox.take_shed() == {}


def test_behind_the_newest_reading_of_a_topic_replaces_those_that_wait_and_is_counted() -> None:
    inbox = filled()
    for number, topic in enumerate(["saw/amps", "button", "saw/amps", "router/amps", "saw/amps", "saw/amps"]):
        inbox.put(message(topic, number))
    assert drain(inbox) == [("button", 1), ("router/amps", 3), ("saw/amps", 4), ("saw/amps", 5)]
    assert inbox.take_shed() == {"saw/amps": 2}
    assert inbox.take_shed() == {}


def test_buttons_stop_contacts_and_reports_are_never_dropped_but_stop_the_reading() -> None:
    inbox = filled()
    for number in range(100):
        inbox.put(message("button", number))
    assert inbox.full
    assert drain(inbox) == [("button", number) for number in range(100)]
    assert not inbox.full


def said(inbox: Inbox) -> list[bytes]:
    out = []
    while (taken := inbox.take()) is not None:
        out.append(taken.payload)
    return out


def busy_with(*payloads: bytes, pointers: dict[str, tuple[str, ...]] | None = None) -> Inbox:
    inbox = Inbox(busy=1, full=100)
    inbox.set_sheddable(pointers or PANEL)
    inbox.put(message("button", 0))
    for payload in payloads:
        inbox.put(Message("panel", payload, retained=False, received=0.0))
    assert inbox.take() is not None
    return inbox


@pytest.mark.parametrize(
    ("came", "arrive"),
    [
        pytest.param([b'{"saw": 1}', b'{"router": 2}'], [0, 1], id="neither says what the other does"),
        pytest.param([b'{"saw": 1}', b'{"rssi": -60}'], [0, 1], id="of neither value"),
        pytest.param([b'{"rssi": -60}', b'{"saw": 1}'], [1], id="says no value"),
        pytest.param([b'{"saw": 1}', b'{"saw": 2}'], [1], id="the same value"),
        pytest.param([b'{"saw": 1, "router": 1}', b'{"saw": 2}'], [0, 1], id="only one of two values"),
        pytest.param([b'{"saw": 1}', b'{"router": 2}', b'{"saw": 3, "router": 3}'], [2], id="all that two say"),
        pytest.param([b'{"saw": 1}', b'{"router": 2}', b'{"saw": 3}'], [1, 2], id="one of the two that wait"),
        pytest.param([b'{"saw": 1}', b'{"saw": null}'], [1], id="null is the newest word"),
        pytest.param([b'{"saw": 1}', b"rubbish"], [0, 1], id="no JSON says nothing"),
        pytest.param([b"rubbish", b"rubbish", b"[" * 60_000], [2], id="of rubbish the newest is enough"),
    ],
)
def test_a_message_that_leaves_a_value_out_takes_no_other_message_of_it_away(
    came: list[bytes], arrive: list[int]
) -> None:
    inbox = busy_with(*came)
    assert said(inbox) == [came[at] for at in arrive]
    assert sum(inbox.take_shed().values()) == len(came) - len(arrive)


def test_what_waits_is_looked_at_anew_when_another_value_of_it_is_wanted() -> None:
    inbox = busy_with(b'{"saw": 1, "lathe": 1}', b'{"saw": 2, "lathe": 2}')
    inbox.put(message("button", 1))
    inbox.set_sheddable({"panel": ("/lathe", "/saw")})
    inbox.put(Message("panel", b'{"lathe": 3}', retained=False, received=0.0))
    assert said(inbox) == [b'{"saw": 2, "lathe": 2}', b"1", b'{"lathe": 3}']


VALUES = st.dictionaries(st.sampled_from(["saw", "router", "rssi"]), st.integers(0, 9))


@given(st.lists(VALUES, max_size=40))
def test_whatever_is_left_out_the_newest_word_on_each_value_arrives_and_no_older_one_after_it(
    came: list[dict[str, int]],
) -> None:
    inbox = busy_with(*(json.dumps(one).encode() for one in came))
    arrived = [json.loads(one) for one in said(inbox)]
    for value in ("saw", "router"):
        sent = [one[value] for one in came if value in one]
        assert [one[value] for one in arrived if value in one][-1:] == sent[-1:]


STEPS = st.lists(st.sampled_from(["saw/amps", "router/amps", "button", "estop", "take"]), max_size=80)


@given(STEPS)
def test_whatever_comes_order_holds_and_the_newest_reading_of_each_topic_arrives(steps: list[str]) -> None:
    inbox = filled()
    taken: list[tuple[str, int]] = []
    put: list[tuple[str, int]] = []
    for number, step in enumerate(steps):
        if step != "take":
            put.append((step, number))
            inbox.put(message(step, number))
        elif (got := inbox.take()) is not None:
            taken.append((got.topic, int(got.payload)))
        readings = sum(topic in READINGS for topic, _ in put)
        assert len(inbox) <= 4 + len(READINGS) + len(put) - readings
    taken += drain(inbox)
    assert [number for _, number in taken] == sorted(number for _, number in taken)
    assert [one for one in taken if one[0] not in READINGS] == [one for one in put if one[0] not in READINGS]
    for topic in READINGS:
        sent = [one for one in put if one[0] == topic]
        assert sent[-1:] == [one for one in taken if one[0] == topic][-1:]
    assert len(put) - len(taken) == sum(inbox.take_shed().values())
    assert len(inbox) == 0
