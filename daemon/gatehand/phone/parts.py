"""What the page shows, part by part, as texts that are ready to be shown. Pure: knows no browser, no clock, no MQTT."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from gatehand.config import Config
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.phone.tiles import NOT_IN_CONFIG, Part, as_told, collector, moment, station, tool, tool_alone
from gatehand.screen import words
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.text import named
from gatehand.times import lasting, local

__all__ = ["LOST_AFTER", "Part", "Stations", "parts_of"]

LOST_AFTER: Final = 2.5
"""Seconds without a beat of the daemon, which speaks every second, after which what is shown counts as old."""
CAUTION: Final = (
    "This page is not an emergency stop and not a lockout: it may show the past, and a tap on it may do nothing. "
    "Switch the machine off and lock it out before you reach in."
)
_EVENTS: Final = 20
_CLOCK_STEP: Final = 5.0
"""Seconds to which the distance of two clocks is shown."""


@dataclass(frozen=True, slots=True)
class Stations:
    """The shop's tiles in the order of its config: each gate with its tools, then the tools that have no gate."""

    gates: tuple[str, ...]
    tools: Mapping[str, Sequence[str]]
    """By gate; under "" those without one."""
    also: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """By gate: the tools that open it too, and are shown at another one."""
    collectors: tuple[str, ...] = ()
    collector_of: Mapping[str, str] = field(default_factory=dict)
    """Of each gate; empty where there is only one collector."""

    @classmethod
    def of(cls, config: Config) -> "Stations":
        """As a config has them. A tool with several gates is shown at the first."""
        tools: dict[str, list[str]] = {}
        also: dict[str, list[str]] = {}
        for name, each in config.tool.items():
            first, *others = each.gates or ("",)
            tools.setdefault(first, []).append(name)
            for gate in dict.fromkeys((*others, *each.assist)):
                also.setdefault(gate, []).append(name)
        several = len(config.collector) > 1
        of = {gate: config.gate_collector(gate) for gate in config.gate} if several else {}
        return cls(tuple(config.gate), tools, also, tuple(config.collector), of)

    @classmethod
    def heard(cls, status: DaemonStatus) -> "Stations":
        """As the daemon speaks of them, by name: there is no config."""
        tools: dict[str, list[str]] = {}
        also: dict[str, list[str]] = {}
        for name, message in words.in_order(status.tools):
            known = [gate for gate in message.names("gates") if gate in status.gates]
            tools.setdefault(known[0] if known else "", []).append(name)
            for gate in dict.fromkeys(known[1:]):
                also.setdefault(gate, []).append(name)
        collectors = tuple(name for name, _ in words.in_order(status.collectors))
        of = {name: each.text("collector") for name, each in status.gates.items()} if len(collectors) > 1 else {}
        return cls(tuple(name for name, _ in words.in_order(status.gates)), tools, also, collectors, of)


def parts_of(status: DaemonStatus, stations: Stations | None, at: float, mono: float) -> dict[str, Part]:
    """Everything, by key, in the order in which it is shown.

    Args:
        status: what has been heard.
        stations: of the config; None: without a config, in the order of their names.
        at: wall seconds of this computer.
        mono: the same instant by the monotonic clock.
    """
    planned = Stations.heard(status) if stations is None else stations
    found: dict[str, Part] = {"reached": _reached(status, at, mono), "alarms": _alarms(status, at, mono)}
    collectors = (*planned.collectors, *_others(status.collectors, planned.collectors))
    for name in collectors:
        made = collector(name, status.collectors.get(name), status, at, only=len(collectors) == 1)
        found[f"collector:{name}"] = made
    found |= _stations(status, planned, at)
    found["events"] = {
        "list": [
            {"clock": moment(each.at - status.ahead, at), "text": as_told(each.text), "loud": each.loud}
            for each in list(status.events)[: -_EVENTS - 1 : -1]
        ]
    }
    title = "Gatehand" if status.base == "gatehand" else f"Gatehand: {status.base}"
    zone = _ahead_of_utc(at)
    return {**found, "shop": {"title": title, "now": at, "zone": zone, "order": list(found), "caution": CAUTION}}


def _ahead_of_utc(at: float) -> float:
    """Seconds that this computer's time zone, by which all times are told, is ahead of UTC."""
    return (local(round(at * 1000)).utcoffset() or timedelta()).total_seconds()


def _others(every: Mapping[str, object], known: Sequence[str]) -> list[str]:
    """Those that the daemon speaks of and the config does not have."""
    return sorted(set(every) - set(known))


def _stations(status: DaemonStatus, planned: Stations, at: float) -> Iterator[tuple[str, Part]]:
    def made(name: str) -> Part:
        return tool(name, status.tools.get(name), status, at)

    for gate in planned.gates:
        tools = [made(name) for name in planned.tools.get(gate, ())]
        yield f"station:{gate}", station(gate, status.gates.get(gate), tools, status, at, notes=_notes(planned, gate))
    for gate in _others(status.gates, planned.gates):
        yield f"station:{gate}", station(gate, status.gates[gate], [], status, at, notes=[NOT_IN_CONFIG])
    gates = {*planned.gates, *status.gates}
    listed = [name for names in planned.tools.values() for name in names]
    alone = [*((name, ()) for name in planned.tools.get("", ()))]
    strangers = [(name, (NOT_IN_CONFIG,)) for name in _others(status.tools, listed)]
    for name, notes in (*alone, *strangers):
        key = f"station:tool {name}" if name in gates else f"station:{name}"
        yield key, tool_alone(made(name), notes)


def _notes(planned: Stations, gate: str) -> list[str]:
    """What the config knows of a gate and its tile does not show otherwise."""
    also = planned.also.get(gate, ())
    found = [f"opens for {', '.join(map(spoken, also))} too"] if also else []
    if of := planned.collector_of.get(gate):
        found.append(f"collector {spoken(of)}")
    return found


def _is_past(status: DaemonStatus, mono: float) -> bool:
    return words.is_past(status) or status.silent_for(mono) > LOST_AFTER


def _alarms(status: DaemonStatus, at: float, mono: float) -> Part:
    """The newest first, each with its next step; `text` counts them. `began`: with the id, which alarm it is."""
    since = {name: message.moment("since") or 0.0 for name, message in status.alarms.items()}
    found = []
    for name in sorted(since, key=lambda name: -since[name]):
        message = status.alarms[name]
        notes = [f"since {moment(since[name] - status.ahead, at)}"] if since[name] else []
        notes += ["acknowledged"] if message.text("acked") else []
        found.append(
            {
                "id": name,
                "title": spoken_alarm(name),
                "because": as_told(message.text("because") or spoken_alarm(name)),
                "since": ", ".join(notes),
                "began": since[name],
                "next": message.text("next"),
            }
        )
    none = "No alarms were active then." if _is_past(status, mono) else "No active alarms."
    return {"list": found, "text": named(len(found), "active alarm") if found else none}


def _reached(status: DaemonStatus, at: float, mono: float) -> Part:
    """Whether what is shown is of now. Its text has nothing that changes every second: screen readers read each change.

    Gives: state (well, lost, nothing), text, as_of (of when everything is, where it is not of now), note (the clocks).
    """
    if status.lost_because is not None:
        because = status.lost_because
        said = because if "broker" in because else f"no connection to the broker ({because})"
        return _lost(status, at, f"LOST: {said}. This page keeps trying.")
    if status.online is False:
        return _lost(status, at, "LOST: the daemon is offline. Nothing opens a gate or starts the collector.")
    if status.online is None:
        return {"state": "nothing", "text": words.why_nothing_is_heard(status), "as_of": "", "note": ""}
    silent = status.silent_for(mono)
    if silent > LOST_AFTER:
        text = "LOST: no sign of life from the daemon. Do not count on it to open a gate or to switch the collector."
        return _lost(status, at, text, heard=at - silent)
    way = "ahead of" if status.ahead > 0 else "behind"
    apart = lasting(max(_CLOCK_STEP, _CLOCK_STEP * round(abs(status.ahead) / _CLOCK_STEP)), whole=True)
    note = f"Its clock is about {apart} {way} this computer's." if status.ahead else ""
    return {"state": "well", "text": "Gatehand is running.", "as_of": "", "note": note}


def _lost(status: DaemonStatus, at: float, text: str, heard: float | None = None) -> Part:
    last = min((each for each in (heard, status.heard_at) if each is not None), default=None)
    if last is None and status.newest is not None:
        last = status.newest - status.ahead
    return {"state": "lost", "text": text, "as_of": "" if last is None else moment(last, at), "note": ""}
