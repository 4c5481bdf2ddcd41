"""What the page shows, part by part, as texts that are ready to be shown. Pure: knows no browser, no clock, no MQTT."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from gatehand.config import Config
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.screen.daemon_status import DaemonStatus

Part: TypeAlias = Mapping[str, Any]
"""A part's facts, as JSON has them; which are there stands at the function that makes them."""

LOST_AFTER: Final = 2.5
"""Seconds without a beat of the daemon, which speaks every second, after which what is shown is of the past."""


@dataclass(frozen=True, slots=True)
class Stations:
    """The shop's tiles in the order of its config: each gate with its tools, then the tools that have no gate."""

    gates: tuple[str, ...]
    tools: Mapping[str, Sequence[str]]
    """By gate; under "" those without one."""
    by_hand: frozenset[str] = frozenset()

    @classmethod
    def of(cls, config: Config) -> "Stations":
        """As a config has them. A tool with several gates stands at the first."""
        tools: dict[str, list[str]] = {}
        for name, tool in config.tool.items():
            tools.setdefault(tool.gates[0] if tool.gates else "", []).append(name)
        return cls(tuple(config.gate), tools)


def parts_of(status: DaemonStatus, stations: Stations | None, at: float, mono: float) -> dict[str, Part]:
    """Everything, by key, in the order in which it is shown.

    Args:
        status: what has been heard.
        stations: of the config; None: there is none here, and names decide the order.
        at: wall seconds of this computer.
        mono: the same instant by the monotonic clock.
    """
    found: dict[str, Part] = {"reached": _reached(status, mono)}
    alarms = [
        {
            "id": name,
            "title": spoken_alarm(name),
            "because": each.text("because"),
            "since": "",
            "next": each.text("next"),
        }
        for name, each in status.alarms.items()
    ]
    found["alarms"] = {"list": alarms, "text": f"{len(alarms)} active alarms"}
    for name, each in status.collectors.items():
        until = each.moment("until")
        found[f"collector:{name}"] = {
            "name": name,
            "title": spoken(name),
            "state": each.text("state"),
            "word": each.text("state").replace("_", "-"),
            "tone": "plain",
            "why": each.text("because"),
            "until": None if until is None else until - status.ahead,
            "until_text": "off in {left}",
            "facts": [],
            "held": each.text("state") == "held",
        }
    gates = stations.gates if stations is not None else tuple(sorted(status.gates))
    for name in gates:
        if (gate := status.gates.get(name)) is not None:
            found[f"station:{name}"] = {
                "name": name,
                "gate": True,
                "title": spoken(name),
                "state": gate.text("state"),
                "word": gate.text("state"),
                "tone": "plain",
                "note": "",
                "hand": gate.flag("hand") is True,
                "hand_until": gate.moment("hand_ends"),
                "can_hand": True,
                "tools": [],
                "spoken": f"{spoken(name)}: gate {gate.text('state')}",
            }
    found["events"] = {
        "list": [{"clock": "", "text": each.text, "loud": each.loud} for each in list(status.events)[:-21:-1]]
    }
    return {**found, "shop": {"title": status.base, "now": at, "order": list(found), "caution": ""}}


def _reached(status: DaemonStatus, mono: float) -> Part:
    if status.lost_because is not None:
        return {"state": "lost", "text": f"No broker: {status.lost_because}"}
    if status.online is False:
        return {"state": "lost", "text": "The daemon is gone."}
    if status.online is None:
        return {"state": "nothing", "text": "Nothing is heard of the daemon yet."}
    if status.silent_for(mono) > LOST_AFTER:
        return {"state": "lost", "text": "The daemon has not been heard for some seconds."}
    return {"state": "well", "text": "Gatehand is running."}
