"""The outbox: a command leaves at once or never, and never into a frozen peer (I6)."""

from math import inf

from gatehand.mqtt.outbox import FRESH, LATEST, Outbox
from gatehand.mqtt.transport import MessageKind, Outgoing

ON = Outgoing("fan/set", b"1", MessageKind.ACT)
OFF = Outgoing("fan/set", b"0", MessageKind.OFF)
OPEN = Outgoing("gate/set", b"open", MessageKind.ACT)


def status(topic: str, payload: bytes = b"x") -> Outgoing:
    return Outgoing(topic, payload, MessageKind.STATUS)


class Wire:
    """Numbers what is written as a QoS 1 client would, and counts the questions."""

    def __init__(self, window: int = 20) -> None:
        self.sent: list[Outgoing] = []
        self.asked = 0
        self.outbox = Outbox(self._write, self._ask, window)

    def _write(self, outgoing: Outgoing) -> int:
        self.sent.append(outgoing)
        return len(self.sent)

    def _ask(self) -> None:
        self.asked += 1


def test_a_command_that_follows_from_something_just_heard_leaves_at_once() -> None:
    wire = Wire()
    wire.outbox.offer(ON, now=100.0, heard_at=100.0 - FRESH)
    assert wire.sent == [ON]
    assert wire.asked == 0


def test_a_command_to_a_broker_not_lately_heard_waits_for_its_sign_of_life() -> None:
    wire = Wire()
    wire.outbox.offer(OPEN, now=100.0, heard_at=99.0)
    wire.outbox.offer(ON, now=100.1, heard_at=99.0)
    assert wire.sent == []
    assert wire.asked == 1
    assert wire.outbox.held_since == 100.0
    wire.outbox.heard()
    assert wire.sent == [OPEN, ON]
    assert wire.outbox.held_since is None


def test_what_is_asked_later_never_overtakes_what_is_held() -> None:
    wire = Wire()
    wire.outbox.offer(OPEN, now=100.0, heard_at=99.0)
    wire.outbox.offer(ON, now=100.1, heard_at=100.1)
    assert wire.sent == []
    wire.outbox.heard()
    assert wire.sent == [OPEN, ON]


def test_off_never_waits_and_takes_back_an_on_that_does() -> None:
    wire = Wire()
    wire.outbox.offer(ON, now=100.0, heard_at=99.0)
    wire.outbox.offer(OPEN, now=100.0, heard_at=99.0)
    wire.outbox.offer(OFF, now=100.1, heard_at=99.0)
    assert wire.sent == [OFF]
    wire.outbox.heard()
    assert wire.sent == [OFF, OPEN]


def test_a_later_command_for_a_device_replaces_the_one_that_is_held() -> None:
    wire = Wire()
    shut = Outgoing("gate/set", b"shut", MessageKind.ACT)
    wire.outbox.offer(OPEN, now=100.0, heard_at=99.0)
    wire.outbox.offer(shut, now=100.1, heard_at=99.0)
    wire.outbox.heard()
    assert wire.sent == [shut]


def test_status_leaves_room_for_commands_and_only_the_latest_of_a_topic_waits() -> None:
    wire = Wire(window=4)
    for number in range(6):
        wire.outbox.offer(status(f"s{number}"), now=100.0, heard_at=100.0)
    wire.outbox.offer(status("s5", b"newer"), now=100.0, heard_at=100.0)
    assert [each.topic for each in wire.sent] == ["s0", "s1"]
    assert wire.outbox.unacked == 6
    wire.outbox.offer(ON, now=100.0, heard_at=100.0)
    assert wire.sent[-1] == ON
    for number in range(1, 8):
        wire.outbox.acknowledged(number)
    assert [each.topic for each in wire.sent] == ["s0", "s1", "fan/set", "s2", "s3", "s4", "s5"]
    assert wire.sent[-1].payload == b"newer"
    assert wire.outbox.unacked == 0


def test_the_brokers_window_is_kept_by_commands_too() -> None:  # MQTT 5.0 section 4.9
    wire = Wire(window=1)
    wire.outbox.offer(OPEN, now=100.0, heard_at=100.0)
    wire.outbox.offer(ON, now=100.0, heard_at=100.0)
    wire.outbox.heard()
    assert wire.sent == [OPEN]
    wire.outbox.offer(OFF, now=100.0, heard_at=100.0)
    assert wire.sent == [OPEN]
    assert wire.outbox.acknowledged(1) == OPEN
    wire.outbox.heard()
    assert wire.sent == [OPEN, OFF]


def test_an_acknowledgement_that_nobody_waits_for_is_none() -> None:
    assert Wire().outbox.acknowledged(7) is None


def test_a_command_held_for_too_long_is_worth_nothing() -> None:
    wire = Wire()
    wire.outbox.offer(OPEN, now=100.0, heard_at=99.0)
    assert not wire.outbox.too_late(100.0 + LATEST)
    assert wire.outbox.too_late(100.0 + LATEST + 0.001)
    wire.outbox.heard()
    assert not wire.outbox.too_late(200.0)


def test_what_the_broker_has_not_acknowledged_may_not_have_arrived_whatever_was_heard_since() -> None:
    wire = Wire()
    assert wire.outbox.unsure_since == inf
    wire.outbox.offer(OPEN, now=100.0, heard_at=100.0)
    wire.outbox.offer(status("s"), now=100.1, heard_at=100.1)
    wire.outbox.offer(OFF, now=100.2, heard_at=100.2)
    assert wire.outbox.unsure_since == 100.0
    wire.outbox.acknowledged(1)
    assert wire.outbox.unsure_since == 100.2
    wire.outbox.acknowledged(3)
    assert wire.outbox.unsure_since == inf  # a status message is none of it
    wire.outbox.offer(ON, now=101.0, heard_at=100.5)
    assert wire.outbox.unsure_since == 101.0  # held: it has not left
