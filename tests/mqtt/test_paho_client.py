"""The quick properties beside paho's own: the same bytes out, the same facts in."""

import importlib.util
from types import ModuleType

import pytest
from paho.mqtt import properties as quick
from paho.mqtt.packettypes import PacketTypes

import gatehand.mqtt.paho_client  # noqa: F401 - it makes them quick
from gatehand.mqtt.paho_client import prepared

FACTS: dict[int, dict[str, object]] = {
    PacketTypes.CONNECT: {"MaximumPacketSize": 1 << 20, "ReceiveMaximum": 20, "UserProperty": [("a", "1"), ("b", "2")]},
    PacketTypes.CONNACK: {"ReceiveMaximum": 7, "ReasonString": "why", "RetainAvailable": 0},
    PacketTypes.PUBLISH: {
        "MessageExpiryInterval": 3,
        "ContentType": "text/plain",
        "CorrelationData": b"\x00\xff",
        "SubscriptionIdentifier": [1, 268_435_455],
        "UserProperty": [("saw", "on"), ("saw", "on")],
    },
    PacketTypes.PUBACK: {"ReasonString": "é"},
    PacketTypes.WILLMESSAGE: {"WillDelayInterval": 4},
}


def paho_itself() -> ModuleType:
    """Paho's module, loaded anew beside the one that is in use."""
    spec = importlib.util.find_spec("paho.mqtt.properties")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


PLAIN = paho_itself()


@pytest.mark.parametrize("kind", FACTS)
@pytest.mark.parametrize("facts", [False, True])
def test_both_pack_and_unpack_alike(kind: int, facts: bool) -> None:
    ours, theirs = quick.Properties(kind), PLAIN.Properties(kind)  # type: ignore[no-untyped-call]
    for name, value in FACTS[kind].items() if facts else ():
        setattr(ours, name, value)
        setattr(theirs, name, value)
    packed = theirs.pack()
    assert ours.pack() == packed  # type: ignore[no-untyped-call]
    assert vars(ours) == vars(theirs)
    for packets in (ours, quick.Properties(kind)):  # type: ignore[no-untyped-call]
        again, length = packets.unpack(packed + b"payload")  # type: ignore[no-untyped-call]
        assert length == len(packed)
        assert again.json() == theirs.json()
    ours.clear()  # type: ignore[no-untyped-call]
    assert ours.isEmpty()  # type: ignore[no-untyped-call]


def test_what_is_taken_in_for_one_message_is_not_seen_in_the_next() -> None:
    first = quick.Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    first.UserProperty = ("a", "1")
    assert quick.Properties(PacketTypes.PUBLISH).isEmpty()  # type: ignore[no-untyped-call]


def test_prepared_ones_pack_as_before() -> None:
    made = quick.Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    made.MessageExpiryInterval = 3
    packed = made.pack()  # type: ignore[no-untyped-call]
    assert prepared(made).pack() == packed  # type: ignore[no-untyped-call]
