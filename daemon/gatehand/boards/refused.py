"""What can be no board of ours, or not as the config is: each with the key at fault and what to change.

The boards' programs refuse the same when they read their settings, where nobody sees it.
"""

import json
import re
from collections.abc import Iterator
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.boards.devices import Device, devices
from gatehand.boards.settings import REFRESHES, Broker, settings_of, words_of
from gatehand.config import Config
from gatehand.config.problems import KeyPath
from gatehand.config.signals import Meter, Signal, TopicSource
from gatehand.mqtt.payload import parse_pointer
from gatehand.text import shown
from gatehand.times import written

LONGEST_TOPIC: Final = 200
"""Bytes. A board has room for a packet of 2 kB, and its `about` names all its topics."""
LONGEST_WORD: Final = 60
"""Bytes."""
LONGEST_ABOUT: Final = 1400
"""Bytes of what a board says of itself, without its topic and what only the board knows, such as its servo's time."""
LONGEST_LIMIT_MS: Final = 24 * 3600 * 1000
"""A switch that would stay on for longer has no limit."""
BETWEEN: Final = ("moving", "unknown", "stuck")
"""What a gate says that is neither open nor shut."""
PRESSED_TOO_LONG: Final = "stuck"
"""What a button says that has been pressed for over 10 s."""
_SCALES: Final = (1e-6, 1e6)
"""Microamps and megaamps; a root mean square is never negative."""
_INDEX: Final = re.compile(r"0|[1-9][0-9]*|-")


class Refusal(Struct, frozen=True):
    """Why a device can be no board, or not yet. `is_ours`: it should be one, and something has to be changed first."""

    path: KeyPath
    text: str
    is_ours: bool = True
    login: str = ""


def refusals(config: Config) -> tuple[Refusal, ...]:
    """Everything of the shop that gets no settings file, each with what to change."""
    return tuple(replace(one, login=each.login) for each in devices(config) for one in _against(config, each))


def _against(config: Config, device: Device) -> Iterator[Refusal]:
    """Why not this one; nothing: it can be a board."""
    if device.role is None:
        text = (
            "the sensor board's clamp measures amps, and this tool's meter says watts: keep that meter; or, for a "
            "board, write current and start_amps instead"
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
            text = f"{whose} is on {shown(topic)} too, and a board says one thing on a topic: wanted one for each"
            yield Refusal((*path, "topic"), text)
    if device.given_online is not None:
        own = (device.kind, device.name, "online")
        same = [one for one in config.signals() if one.topic == device.online and one.path != own]
        if same:
            text = (
                f"{'.'.join(same[0].path)} is on {shown(device.online)} too, and each board says for itself that it is "
                "there: wanted a topic of its own"
            )
            yield Refusal((*own, "topic"), text)
        yield from _against_source(own, device.given_online, ("active", "clear"))
        if device.given_online.poll is not None:
            text = "a board says at each connection that it is there, and answers no question about it: leave poll out"
            yield Refusal((*own, "poll"), text, is_ours=False)
    for one in device.signals:
        if one.heard is not None:
            yield from _against_source(one.path, one.heard, words_of(one))
        yield from _against_words(device, one)
        if one.is_press and one.poll is not None:
            text = "a board says each press once, while it happens, and answers no question about it: leave poll out"
            yield Refusal((*one.path, "poll"), text, is_ours=False)
    for path, topic in (*topics, (device.path, device.about), (device.path, device.online)):
        if len(topic.encode()) > LONGEST_TOPIC:
            text = f"the topic {shown(topic)} is too long for a board: wanted at most {LONGEST_TOPIC} bytes"
            yield Refusal(path, text)
    if _size_of_about(config, device) > LONGEST_ABOUT:
        text = "its topics and words are too long together, for a board has room for 2 kB: wanted shorter ones"
        yield Refusal(device.path, text)


def _size_of_about(config: Config, device: Device) -> int:
    """What a board says of itself: each signal with its words, and each topic once more."""
    made = settings_of(config, device, Broker("", 0, None, has_logins=False))
    said = {key: value for key, value in made.items() if key not in {"broker", "about"}}
    return len(json.dumps(said)) + sum(len(one.topic.encode()) for one in device.signals) + len(device.online.encode())


def _against_switch(config: Config, device: Device) -> Iterator[Refusal]:
    table = config.collector[device.name]
    if table.refresh == 0:
        text = "the command is never repeated, so the switch's own time limit would end every run: write refresh = 20"
        yield Refusal((*device.path, "refresh"), text)
    elif REFRESHES * table.refresh * 1000 > LONGEST_LIMIT_MS:
        text = (
            f"found {written(table.refresh)}; without a command the switch goes off by itself after {REFRESHES:g} "
            "times that, and more than a day is too long: write refresh = 20"
        )
        yield Refusal((*device.path, "refresh"), text)
    if table.power is not None:
        text = (
            "the switch board's clamp measures amps, and this motor's meter says watts: keep that meter; or, for a "
            "clamp at the switch, write current and running_amps instead"
        )
        yield Refusal((*device.path, "power"), text, is_ours=False)
    if table.suction is not None:
        text = "none of our boards measures pressure: keep the sensor that you have"
        yield Refusal((*device.path, "suction"), text, is_ours=False)


def _against_source(path: KeyPath, source: TopicSource, words: tuple[str, ...]) -> Iterator[Refusal]:
    """What of a pointer a board cannot build."""
    at = source.at if isinstance(source, Meter) else None
    for key, pointer in (("pointer", source.pointer), ("at", at)):
        if pointer is not None and (index := next(filter(_INDEX.fullmatch, parse_pointer(pointer)), None)) is not None:
            text = (
                f"found {shown(pointer)}; a board writes JSON objects and never lists, so it has no place {index}: "
                f'wanted names only, such as "/{_name_for(path)}"'
            )
            yield Refusal((*path, key), text)
    if source.pointer == "" and words:
        text = 'found ""; a board without a JSON object says the bare word: leave pointer out'
        yield Refusal((*path, "pointer"), text)
    if at is None or source.pointer is None:
        return
    value, time = parse_pointer(source.pointer), parse_pointer(at)
    if not time or time[:-1] != value[:-1]:
        text = f"found {shown(at)}; a board writes the time beside the number: wanted it beside {shown(source.pointer)}"
        yield Refusal((*path, "at"), text)
    elif time[-1] == "n" or value[-1] == "n":
        text = 'the board counts its readings under "n": wanted another name'
        yield Refusal((*path, "at" if time[-1] == "n" else "pointer"), text)


def _name_for(path: KeyPath) -> str:
    return {"current": "amps", "state": "state", "online": "online"}.get(str(path[-1]), "value")


def _against_words(device: Device, signal: Signal) -> Iterator[Refusal]:
    kept = {"state": BETWEEN if device.role == "gate" else (), "button": (PRESSED_TOO_LONG,)}
    kept["reset"] = kept["button"]
    for key in words_of(signal):
        word = getattr(signal.table, key)
        if word.strip() in kept.get(signal.key, ()):
            text = f"found {shown(word)}, which the board says when it is neither of the two: wanted another word"
            yield Refusal((*signal.path, key), text)
        if len(word.encode()) > LONGEST_WORD:
            text = f"found {shown(word)}, which is too long for a board: wanted at most {LONGEST_WORD} bytes"
            yield Refusal((*signal.path, key), text)
    scale = getattr(signal.table, "scale", 1.0)
    if not _SCALES[0] <= scale <= _SCALES[1]:
        text = f"found {scale:g}; a board sends amps divided by scale: wanted 1, or 0.001 for milliamps"
        yield Refusal((*signal.path, "scale"), text)
