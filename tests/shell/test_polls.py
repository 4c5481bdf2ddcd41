"""Devices that are asked how things stand: who, when, and with which message."""

import pytest
from shell_support import SHOP, World, active_config_of

from gatehand.access_rights import Right, users
from gatehand.mqtt.paho_client import delivery
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand_rules.commands import Poll

ASKED = (
    SHOP.replace(
        'state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }',
        'state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut", '
        'poll = { topic = "shop/gate/band_saw/get", payload = "state" } }\n'
        'online = { topic = "shop/gate/band_saw/online", active = 1, clear = 0, '
        'poll = { topic = "shop/gate/band_saw/get", payload = "online" } }',
    )
    .replace(
        'current = { topic = "shop/band_saw/amps" }',
        'current = { topic = "shop/band_saw/amps", poll = { topic = "shop/get", payload = "?" } }',
    )
    .replace(
        'current = { topic = "shop/router/amps" }',
        'current = { topic = "shop/router/amps", poll = { topic = "shop/get", payload = "?" } }',
    )
    .replace('clear = "0"\n', 'clear = "0"\npoll = { topic = "shop/estop/get", payload = "?" }\n')
)
QUESTIONS = [
    ("shop/estop/get", "?"),
    ("shop/gate/band_saw/get", "state"),
    ("shop/gate/band_saw/get", "online"),
    ("shop/get", "?"),
]


def asked_at(world: World, at: float) -> list[tuple[str, str]]:
    """The questions of one instant: later the rules may ask a gate again before they move it."""
    return [
        (sent.topic, sent.text) for sent in world.transport.sent if sent.kind is MessageKind.EVENT and sent.at == at
    ]


def test_each_device_that_can_be_asked_is_asked_once_on_each_connection() -> None:
    world = World(ASKED)
    for _ in range(2):
        at = world.clocks.mono()
        world.connect()
        assert asked_at(world, at) == QUESTIONS, "two tools behind one question are asked once"
        world.lose()
        world.run(1)


def test_nobody_is_asked_without_a_poll_and_nobody_without_a_connection() -> None:
    assert not [sent for sent in World().connect().transport.sent if sent.kind is MessageKind.EVENT]
    world = World(ASKED)
    world.run(5)
    assert not world.transport.sent


@pytest.mark.parametrize(
    ("kind", "name", "question"),
    [
        ("gate", "band_saw", ("shop/gate/band_saw/get", b"state")),
        ("tool", "router", ("shop/get", b"?")),
        ("stop", "emergency", ("shop/estop/get", b"?")),
        ("gate", "bench", None),
        ("collector", "main", None),
        ("tool", "gone", None),
    ],
)
def test_a_poll_asks_for_what_the_device_is_there_for(kind: str, name: str, question: tuple[str, bytes] | None) -> None:
    message = active_config_of(ASKED).encoder.message(Poll(kind, name))  # type: ignore[arg-type]
    assert message == (None if question is None else Outgoing(*question, MessageKind.EVENT))


@pytest.mark.parametrize("v5", [True, False])
def test_a_question_is_asked_at_most_once_and_never_retained(*, v5: bool) -> None:
    qos, retained, _ = delivery(MessageKind.EVENT, v5=v5)
    assert (qos, retained) == (0, False)


def test_the_daemon_may_ask_and_its_device_may_hear_it() -> None:
    rights = {
        user.name: {topic: right for right, topic in user.rights} for user in users(active_config_of(ASKED).config)
    }
    for topic in {topic for topic, _ in QUESTIONS}:
        assert rights["gatehand"][topic] is Right.WRITE
        assert rights["viewer"][topic] is Right.READ
        assert topic not in rights["hands"]
    assert rights["gate-band_saw"]["shop/gate/band_saw/get"] is Right.READ
    assert rights["tool-router"]["shop/get"] is Right.READ
    assert "shop/get" not in rights["gate-band_saw"]
