"""A shop as the daemon publishes it, to be heard and drawn."""

import json
from datetime import UTC, datetime

from gatehand.mqtt.inbox import Message
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.lines import text_of
from gatehand.screen.page import page
from gatehand_rules.words import Measure

NOON = datetime(2026, 3, 4, 12, 0, 0, tzinfo=UTC).timestamp()


def stamp(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def tool(state: str = "idle", amps: float = 0.05, since: float = NOON, **more: object) -> dict[str, object]:
    return {
        "state": state,
        "since": stamp(since),
        "because": "nothing has happened since the daemon's start",
        "amps": amps,
        "start_amps": 2.5,
        "stop_amps": 1.8,
        "run_on_ends": None,
        **more,
    }


def tool_of(measure: Measure, reading: float | bool | None, **more: object) -> dict[str, object]:
    """A tool whose sensor says watts, or a contact's."""
    plain = {key: value for key, value in tool().items() if "amps" not in key}
    return plain | {str(measure): reading} | more


def gate(state: str = "shut", since: float = NOON, **more: object) -> dict[str, object]:
    facts = {"reports": True, "by_hand": False, "hand": False, "hand_ends": None}
    return {"state": state, "since": stamp(since), "because": "nothing yet", **facts, **more}


def collector(state: str = "off", since: float = NOON, **more: object) -> dict[str, object]:
    facts: dict[str, object] = {"running": [], "hands": [], "until": None, "until_because": None}
    facts |= {"run_on_until": None, "coast_down_until": None}
    facts |= {"reported_on": None, "drawing": None, "bin_full": False, "held": None}
    facts |= {"starts_this_hour": None, "starts_per_hour": None}
    return {"state": state, "since": stamp(since), "because": "the fan has stopped", **facts, **more}


def alarm(text: str, since: float = NOON) -> dict[str, object]:
    return {"since": stamp(since), "because": text, "next": "Look at it and mend it."}


class Heard:
    """A status that is told things at times of its own."""

    def __init__(self, base: str = "gatehand") -> None:
        self.status = DaemonStatus(base)
        self.status.connected()
        self.at = NOON

    def say(self, topic: str, body: object, *, retained: bool = False) -> "Heard":
        payload = body if isinstance(body, bytes) else body.encode() if isinstance(body, str) else _json(body)
        self.status.hear(Message(f"gatehand/{topic}", payload, retained, self.at), self.at)
        return self

    def lines(self, width: int = 80, height: int | None = 24) -> list[str]:
        shown = page(self.status, "gatehand at shop.local:1883", self.at, width=width, height=height)
        return [text_of(each) for each in shown]

    def text(self, width: int = 80, height: int | None = 24) -> str:
        return "\n".join(self.lines(width, height))


def _json(body: object) -> bytes:
    return json.dumps(body).encode()


def small_shop() -> Heard:
    """Two tools, two gates, one collector, all at rest."""
    heard = Heard().say("online", "1", retained=True)
    for name in ("band_saw", "jointer"):
        heard.say(f"tool/{name}", tool(), retained=True)
        heard.say(f"gate/{name}", gate(), retained=True)
    return heard.say("collector/main", collector(), retained=True)


def large_shop(tools: int = 14, gates: int = 16) -> Heard:
    """More than fits on a small screen."""
    heard = Heard().say("online", "1", retained=True).say("collector/main", collector(), retained=True)
    for n in range(tools):
        heard.say(f"tool/tool_{n:02}", tool(), retained=True)
    for n in range(gates):
        heard.say(f"gate/gate_{n:02}", gate(), retained=True)
    return heard
