"""What a board's settings file holds of the config: topics, words, limits, the broker.

The form is what deploy/boards/board.py reads. What the owner fills in stands in `owners.py`.
"""

import re
from collections.abc import Mapping
from ipaddress import AddressValueError, IPv4Address
from typing import Any, Final

from msgspec import Struct

from gatehand.boards.devices import Device
from gatehand.config import Config
from gatehand.config.signals import Meter, PollRequest, Signal, TopicSource
from gatehand.mqtt.payload import parse_pointer
from gatehand.text import toml_text

KEEPALIVE: Final = 2
"""Seconds; the broker speaks a board's will after one and a half times this (MQTT 3.1.1, section 3.1.2.10), and some
brokers look only every six seconds: within 10 s in all.
"""
REFRESHES: Final = 2.5
"""The dead-man's limit in refreshes: one of them may be lost."""
LEAST_LIMIT_MS: Final = 5000
ENCRYPTED_PORT: Final = 8883
_INPUTS: Final[Mapping[str, str]] = {"contact": "closed", "bin_full": "closed", "running": "open", "reset": "button"}
"""Kind of input by the signal's key. What stops and what is full are heard through a closed contact: a broken wire says
so.
"""

Table = dict[str, Any]


class Broker(Struct, frozen=True):
    """Where the boards find the broker: a numeric address, for they ask nobody for one."""

    host: str
    port: int
    tls: Table | None
    has_logins: bool


def numeric(host: str) -> str | None:
    """The same address, where a board in the shop's network can reach it; None: it is a name, or this computer only."""
    try:
        found = IPv4Address(host)
    except AddressValueError:
        return None
    unfit = found.is_loopback or found.is_unspecified or found.is_multicast or found == IPv4Address("255.255.255.255")
    return None if unfit else str(found)


def broker_of(config: Config, host: str, port: int | None = None, *, encrypted: bool = False) -> Broker:
    """The config's broker, as boards reach it at this address.

    Args:
        config: says port and encryption, unless the boards have a listener of their own.
        host: the numeric address.
        port: of the boards' listener.
        encrypted: that listener is, whatever the daemon's is.
    """
    of = config.broker
    tls = None
    if of.tls is not None or encrypted:
        by_name = not _is_address(of.host) and of.host.casefold() != "localhost"
        # Certificates carry dates and a name: without a clock and without the name a board believes none.
        tls = {"ca_file": "ca.pem", "server_name": of.host if by_name else None, "time_server": None}
    standard = ENCRYPTED_PORT if encrypted and of.tls is None else of.port
    return Broker(host, port or standard, tls, of.username is not None)


def _is_address(host: str) -> bool:
    return ":" in host or re.fullmatch(r"[0-9.]+", host) is not None


def words_of(signal: Signal) -> tuple[str, ...]:
    """The keys of its table that hold a word."""
    words = ("open", "shut", "on", "off", "active", "clear", "pressed", "released")
    return tuple(each for each in words if hasattr(signal.table, each))


def settings_of(config: Config, device: Device, broker: Broker) -> Table:
    """All of a board's file that the config decides. Its owner's part is added in `owners.py`."""
    made: Table = {
        "role": device.role,
        "name": device.name,
        "broker": {
            "host": broker.host,
            "port": broker.port,
            "client_id": device.login,
            "keepalive": KEEPALIVE,
            "tls": broker.tls,
        },
        "online": _online(device),
        "about": {"topic": device.about},
    }
    match device.role:
        case "gate":
            made |= _of(device, {"command": "set", "state": "state", "button": "button"})
            if "set" in made:
                made["travel_ms"] = round(config.gate[device.name].travel * 1000)
        case "switch":
            made |= _of(device, {"command": "set", "state": "state", "current": "amps"})
            polls = [made[key].get("poll") for key in ("state", "amps") if key in made]
            if polls and polls[0] is not None and polls[0] in polls[1:]:
                del made["amps"]["poll"]  # one question, and the state is its answer
            refresh_ms = config.collector[device.name].refresh * 1000
            made["limit_ms"] = max(LEAST_LIMIT_MS, round(REFRESHES * refresh_ms))
        case "sensor":
            made |= _of(device, {"current": "amps"})
        case _:
            made["inputs"] = [_input(device, one) for one in device.signals]
    return made


def _of(device: Device, names: Mapping[str, str]) -> Table:
    return {name: _signal(one) for key, name in names.items() if (one := device.signal(key)) is not None}


def _signal(signal: Signal) -> Table:
    """A signal as a board reads it: topic, words, where in the JSON."""
    table = signal.table
    made: Table = {"topic": table.topic} | {word: getattr(table, word) for word in words_of(signal)}
    if not isinstance(table, TopicSource):
        return made
    made["path"] = _keys(table.pointer)
    if isinstance(table, Meter):
        made |= {"scale": table.scale} | ({} if table.at is None else {"at": _keys(table.at)})
    if table.poll is not None and not signal.is_press:  # a press is said once, and never again
        made["poll"] = _poll(table.poll)
    return made


def _keys(pointer: str | None) -> list[str]:
    return [] if pointer is None else [*parse_pointer(pointer)]


def _poll(poll: PollRequest) -> Table:
    return {"topic": poll.topic, "payload": poll.payload}


def _input(device: Device, signal: Signal) -> Table:
    """`for`: what it is in the config, which the board says in its `about`."""
    key = device.kind if device.kind == "stop" else f"{device.kind} {signal.key}"
    return {"kind": _INPUTS[signal.key], "name": device.name, "for": key} | _signal(signal)


def _online(device: Device) -> Table:
    given = device.given_online
    if given is None:
        return {"topic": device.online, "active": "1", "clear": "0", "path": []}
    return {"topic": given.topic, "active": given.active, "clear": given.clear, "path": _keys(given.pointer)}


def online_line(device: Device) -> str | None:
    """The config's line for a board's `online`, where its table has none and takes one."""
    if device.given_online is not None or not device.may_have_online:
        return None
    line = f'online = {{ topic = {toml_text(device.online)}, active = "1", clear = "0" }}'
    return f"[{device.kind}.{device.name}]: {line}"
