"""What a board's settings file holds of the config: topics, words, limits, the broker. And what can be no board: why.

The form is what deploy/boards/board.py reads. What the owner fills in stands in `owners.py`.
"""

import json
import re
from collections.abc import Iterator, Mapping
from ipaddress import AddressValueError, IPv4Address
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.boards.devices import Device, devices
from gatehand.config import Config
from gatehand.config.problems import KeyPath
from gatehand.config.signals import Meter, PollRequest, Signal, TopicSource
from gatehand.mqtt.payload import parse_pointer
from gatehand.text import shown, toml_text
from gatehand.times import written

KEEPALIVE: Final = 5
"""Seconds; the broker speaks a board's will after one and a half times this (MQTT 3.1.1, section 3.1.2.10)."""
REFRESHES: Final = 2.5
"""The dead-man's limit in refreshes: one of them may be lost."""
LEAST_LIMIT_MS: Final = 5000
LONGEST_TOPIC: Final = 200
"""Bytes. A board has room for a packet of 2 kB, and its `about` names all its topics."""
LONGEST_WORD: Final = 60
"""Bytes."""
LONGEST_ABOUT: Final = 1800
"""Bytes of what a board says of itself, all in all."""
LONGEST_LIMIT_MS: Final = 24 * 3600 * 1000
"""A switch that would stay on for longer has no limit."""
BETWEEN: Final = ("moving", "unknown", "stuck")
"""What a gate says that is neither open nor shut."""
PRESSED_TOO_LONG: Final = "stuck"
"""What a button says that has been pressed for over 10 s."""
_SCALES: Final = (1e-6, 1e6)
"""Microamps and megaamps; a root mean square is never negative."""
_INDEX: Final = re.compile(r"0|[1-9][0-9]*|-")
_INPUTS: Final[Mapping[str, str]] = {"contact": "closed", "bin_full": "closed", "running": "open", "reset": "button"}
"""Kind of input by the signal's key. What stops and what is full are heard through a closed contact: a broken wire says
so.
"""

Table = dict[str, Any]


class Refusal(Struct, frozen=True):
    """Why a device can be no board, or not yet. `is_ours`: it should be one, and something has to be changed first."""

    path: KeyPath
    text: str
    is_ours: bool = True
    login: str = ""


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


def broker_of(config: Config, host: str) -> Broker:
    """The config's broker, as boards reach it at this address."""
    of = config.broker
    tls = None
    if of.tls is not None:
        by_name = not _is_address(of.host) and of.host.casefold() != "localhost"
        tls = {"ca_file": "ca.pem", "server_name": of.host if by_name else host}
    return Broker(host, of.port, tls, of.username is not None)


def _is_address(host: str) -> bool:
    return ":" in host or re.fullmatch(r"[0-9.]+", host) is not None


def refusals(config: Config) -> tuple[Refusal, ...]:
    """Everything of the shop that gets no settings file, each with what to change."""
    return tuple(replace(one, login=each.login) for each in devices(config) for one in _against(config, each))


def _against(config: Config, device: Device) -> Iterator[Refusal]:
    """Why not this one; nothing: it can be a board."""
    if device.role is None:
        text = (
            "the sensor board's clamp measures amps, and this tool is heard by its watts: leave it with its meter; or, "
            "with a board, write current instead of power, with start_amps"
        )
        yield Refusal((*device.path, "power"), text, is_ours=False)
        return
    if device.role == "switch":
        yield from _against_switch(config, device)
    topics: list[tuple[KeyPath, str]] = [(one.path, one.topic) for one in device.signals]
    for path, topic in topics:
        others = [each for each in config.signals() if each.topic == topic and each.path != path]
        if others:
            whose = ".".join(others[0].path)
            text = f"{whose} speaks on {shown(topic)} too; a board says one thing on a topic: wanted one for each"
            yield Refusal((*path, "topic"), text)
    if device.given_online is not None:
        own = (device.kind, device.name, "online")
        same = [one for one in config.signals() if one.topic == device.online and one.path != own]
        if same:
            text = (
                f"{'.'.join(same[0].path)} has {shown(device.online)} too; each board speaks for itself, and the "
                "broker for it when it is gone: wanted a topic of its own"
            )
            yield Refusal((*own, "topic"), text)
        yield from _against_source(own, device.given_online, ("active", "clear"))
    for one in device.signals:
        if one.heard is not None:
            yield from _against_source(one.path, one.heard, _words_of(one))
        yield from _against_words(device, one)
    for path, topic in (*topics, (device.path, device.about), (device.path, device.online)):
        if (size := len(topic.encode())) > LONGEST_TOPIC:
            text = f"the topic {shown(topic)} has {size} bytes; a board has room for {LONGEST_TOPIC}"
            yield Refusal(path, text)
    if (size := _size_of_about(config, device)) > LONGEST_ABOUT:
        text = f"its topics and words take {size:,} bytes together, and a board has room for 2 kB: wanted shorter ones"
        yield Refusal(device.path, text)


def _size_of_about(config: Config, device: Device) -> int:
    """What a board says of itself: each signal with its words, and each topic once more."""
    made = settings_of(config, device, Broker("", 0, None, has_logins=False))
    said = {key: value for key, value in made.items() if key not in {"broker", "about"}}
    return len(json.dumps(said)) + sum(len(one.topic.encode()) for one in device.signals) + len(device.online.encode())


def _against_switch(config: Config, device: Device) -> Iterator[Refusal]:
    table = config.collector[device.name]
    if table.refresh == 0:
        text = (
            "the command is never repeated, so the switch's own limit (off, when the repeated on stays away) would end "
            "every run: write refresh = 20"
        )
        yield Refusal((*device.path, "refresh"), text)
    elif REFRESHES * table.refresh * 1000 > LONGEST_LIMIT_MS:
        text = (
            f"found {written(table.refresh)}; the switch goes off by itself after {REFRESHES:g} of these, and beyond a "
            "day that is no limit: write refresh = 20"
        )
        yield Refusal((*device.path, "refresh"), text)
    if table.power is not None:
        text = (
            "the switch board's clamp measures amps, and this motor is heard by its watts: leave it with its meter; "
            "or, with a clamp at the switch, write current and running_amps instead of power"
        )
        yield Refusal((*device.path, "power"), text, is_ours=False)
    if table.suction is not None:
        text = "no board of ours measures a pressure: leave it with the sensor that it has"
        yield Refusal((*device.path, "suction"), text, is_ours=False)


def _against_source(path: KeyPath, source: TopicSource, words: tuple[str, ...]) -> Iterator[Refusal]:
    """What of a pointer a board cannot build."""
    at = source.at if isinstance(source, Meter) else None
    for key, pointer in (("pointer", source.pointer), ("at", at)):
        if pointer is not None and (index := next(filter(_INDEX.fullmatch, parse_pointer(pointer)), None)) is not None:
            text = (
                f"found {shown(pointer)}; a board writes JSON objects and no lists, so it cannot put anything at "
                f'place {index} of one: wanted names only, such as "/{_name_for(path)}"'
            )
            yield Refusal((*path, key), text)
    if source.pointer == "" and words:
        text = 'found ""; a board that writes no JSON object says the bare word: leave pointer out'
        yield Refusal((*path, "pointer"), text)
    if at is None or source.pointer is None:
        return
    value, time = parse_pointer(source.pointer), parse_pointer(at)
    if not time or time[:-1] != value[:-1]:
        text = f"found {shown(at)}; a board writes it beside the number: wanted it beside {shown(source.pointer)}"
        yield Refusal((*path, "at"), text)
    elif time[-1] == "n" or value[-1] == "n":
        text = 'the board\'s own count of its readings stands under "n": wanted another name'
        yield Refusal((*path, "at" if time[-1] == "n" else "pointer"), text)


def _name_for(path: KeyPath) -> str:
    return {"current": "amps", "state": "state", "online": "online"}.get(str(path[-1]), "value")


def _against_words(device: Device, signal: Signal) -> Iterator[Refusal]:
    kept = {"state": BETWEEN if device.role == "gate" else (), "button": (PRESSED_TOO_LONG,)}
    kept["reset"] = kept["button"]
    for key in _words_of(signal):
        word = getattr(signal.table, key)
        if word.strip() in kept.get(signal.key, ()):
            text = f"found {shown(word)}, with which the board says that it is neither: wanted another word"
            yield Refusal((*signal.path, key), text)
        if len(word.encode()) > LONGEST_WORD:
            yield Refusal((*signal.path, key), f"found {len(word.encode())} bytes; a board has room for {LONGEST_WORD}")
    scale = getattr(signal.table, "scale", 1.0)
    if not _SCALES[0] <= scale <= _SCALES[1]:
        text = f"found {scale:g}; the board says amps divided by this: wanted 1, or 0.001 for milliamps"
        yield Refusal((*signal.path, "scale"), text)


def _words_of(signal: Signal) -> tuple[str, ...]:
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
    made: Table = {"topic": table.topic} | {word: getattr(table, word) for word in _words_of(signal)}
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
