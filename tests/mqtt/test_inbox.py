"""The inbox: readings give way when the shell falls behind; what is said once never does."""

from hypothesis import given
from hypothesis import strategies as st

from gatehand.mqtt.inbox import Inbox, Message

READINGS = frozenset({"saw/amps", "router/amps"})


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
