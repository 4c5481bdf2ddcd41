"""What a controller may ask: a hand start or its end, and a reset (section "Property command topic"). Pure."""

from typing import Final

from gatehand.homie.describe import RESET, Node
from gatehand.mqtt.payload import Rejected, excerpt
from gatehand_rules.events import HandAsked, ResetAsked

_BOOLEANS: Final = {b"true": True, b"false": False}


def asked(node: Node, name: str, payload: bytes, *, retained: bool) -> HandAsked | ResetAsked | Rejected:
    """What a payload on `<node>/<name>/set` asks. Payloads are case sensitive and mean exactly what they say."""
    match node.subject[0], name:
        case "gate", "hand":
            on = _BOOLEANS.get(payload)
            if on is not None:
                return HandAsked(node.subject[1], on, retained)
            return Rejected("found another word, want 'true' or 'false'", excerpt(payload))
        case "collector", "reset":
            if payload == RESET.encode():
                return ResetAsked(node.subject[1], retained)
            return Rejected(f"found another word, want {RESET!r}", excerpt(payload))
        case _:
            return Rejected("is not settable", excerpt(payload))
