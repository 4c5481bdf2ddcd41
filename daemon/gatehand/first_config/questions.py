"""What can be asked, by key, and how an answer is read. The words of a question stand with its place in the script.

An answer comes as text (typed, or by `--answer KEY=VALUE`) or as a TOML value (from `--answers FILE`); a reader makes
the same of both. A signal is written as the config has it: `{ topic = "...", pointer = "/v", open = "1", shut = "0" }`.
"""

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, TypeAlias, TypeVar

from msgspec import Struct
from pydantic_core import PydanticCustomError

from gatehand import times
from gatehand.config import values
from gatehand.text import NAME, listed, shown

QUESTIONS: Final[Mapping[str, str]] = {
    "broker.host": "the computer with the MQTT broker: its name or address",
    "broker.port": "its port",
    "broker.username": 'the login, or "none"',
    "broker.password_file": "the file whose first line is the password",
    "broker.ca_file": 'the certificate to check the broker\'s with, for an encrypted connection, or "none"',
    "collectors": 'the names of the dust collectors, such as "main"',
    "collector.NAME.board": 'the board that switches it (one that announces itself), or "none"',
    "collector.NAME.worked": '"hand" (at its own switch) or "network" (a phone, a remote that speaks MQTT)',
    "collector.NAME.trial": '"listen" while it is switched on and off once, "type" or "skip"',
    "collector.NAME.state": 'where its switch reports: { topic, pointer, on, off }, or "none"',
    "collector.NAME.motor": 'where its motor is sensed: { topic, pointer }, with active, clear for a word; or "none"',
    "collector.NAME.motor_unit": "what that meter's number is: A, mA, W or kW",
    "collector.NAME.turns_at": "at or above this, in A or W, the motor turns",
    "collector.NAME.command": "where its switch takes commands: { topic, on, off }",
    "collector.NAME.coast_down": "how long the fan keeps turning after off",
    "collector.NAME.bin_trial": '"listen" while its bin\'s level contact says full once, or "none"',
    "collector.NAME.bin": 'where that contact speaks: { topic, pointer, active, clear }, or "none"',
    "collector.NAME.reset_trial": '"listen" while the button that ends a hold is pressed twice, or "none"',
    "collector.NAME.reset": 'where that button speaks: { topic, pointer, pressed, released }, or "none"',
    "gates": "the names of the blast gates",
    "gate.NAME.board": 'the board that moves it (one that announces itself), or "none"',
    "gate.NAME.collector": "the collector that it belongs to",
    "gate.NAME.moved": '"motor" or "hand"',
    "gate.NAME.worked": '"hand" (itself, or its own button) or "network" (a phone, a remote that speaks MQTT)',
    "gate.NAME.trial": '"listen" while it is opened and shut once, "type" or "skip"',
    "gate.NAME.state": 'where it reports its position: { topic, pointer, open, shut }, or "none"',
    "gate.NAME.command": "where it takes commands: { topic, open, shut }",
    "gate.NAME.travel": "how long it takes from shut to open, on the long side",
    "gate.NAME.button_trial": '"listen" while its button for a hand start is pressed twice, or "none"',
    "gate.NAME.button": 'where that button speaks: { topic, pointer, pressed }, or "none"',
    "tools": "the names of the tools",
    "tool.NAME.gates": "the gates that it needs open",
    "tool.NAME.collector": "its collector, for a tool without a gate",
    "tool.NAME.board": 'the board that senses it (one that announces itself), or "none"',
    "tool.NAME.trial": '"listen" while it is switched on and off once, "type" or "skip"',
    "tool.NAME.sensor": "where its meter speaks: { topic, pointer }, with active, clear for a word",
    "tool.NAME.unit": "what that meter's number is: A, mA, W or kW",
    "tool.NAME.start": "at or above this, in A or W, it is running",
    "tool.NAME.silent_after": "how long its meter may be silent; not asked: it follows from how often it speaks",
    "tool.NAME.run_on": "how long the collector runs on after it has stopped",
    "stops": 'the names of the stop contacts that Gatehand can hear, or "none"',
    "stop.NAME.trial": '"listen" while it is pressed in and pulled out once, "type" or "skip"',
    "stop.NAME.contact": "where it speaks: { topic, pointer, active, clear }",
    "stop.NAME.collectors": "the collectors that it stops",
}
"""Every key, with what its answer is; NAME stands for a device's name."""

SKIP: Final = "skip"
NONE: Final = "none"
LISTEN: Final = "listen"
TYPE: Final = "type"

Raw: TypeAlias = Any
"""An answer as it came: a text, or what TOML makes of a value."""


class BadAnswerError(Exception):
    """The answer cannot be read; the text says what was found and what is wanted."""


class Skipped:
    """What comes out for "skip"."""


SKIPPED: Final = Skipped()
Read: TypeAlias = Callable[[Raw], Any]
T = TypeVar("T")


class SignalAnswer(Struct, frozen=True):
    """A topic, a pointer, and the words said there by the config's keys."""

    topic: str
    pointer: str | None = None
    words: dict[str, str] = {}
    scale: float = 1.0
    at: str | None = None
    """Where its own time stands."""
    poll: tuple[str, str] | None = None
    """Topic and payload by which its device is asked for it."""


def pattern_of(key: str) -> str | None:
    """The key as the table has it; None: there is no such question."""
    if key in QUESTIONS:
        return key
    made = re.sub(rf"^(\w+)\.{NAME}\.", r"\1.NAME.", key)
    return made if made in QUESTIONS else None


def text(raw: Raw) -> str:
    """Any text that is not empty."""
    if isinstance(raw, bool | dict | list) or not str(raw).strip():
        raise BadAnswerError(f"found {shown(raw)}; wanted a word or two")
    return str(raw).strip()


def certificate(folder: Path) -> Read:
    """A file with a certificate; a relative path counts from `folder`."""

    def read(raw: Raw) -> str:
        import ssl

        said = text(raw)
        try:
            ssl.create_default_context(cafile=folder / said)
        except FileNotFoundError:
            raise BadAnswerError(
                f'there is no file {folder / said}; wanted the certificate\'s file, or "none"'
            ) from None
        except OSError as error:  # ssl.SSLError is one
            why = error.strerror or error
            raise BadAnswerError(f'{folder / said} holds no certificate that can be read ({why}); or "none"') from None
        return said

    return read


def or_none(read: Read) -> Read:
    """The same, or None for "none"."""
    return lambda raw: None if _is(raw, NONE) else read(raw)


def one_of(*words: str) -> Read:
    """One of these words, or its beginning."""

    def read(raw: Raw) -> str:
        said = str(raw).strip().casefold()
        found = [word for word in words if word.casefold() == said] or [
            word for word in words if said and word.casefold().startswith(said)
        ]
        if len(found) != 1:
            raise BadAnswerError(f"found {shown(raw)}; wanted {listed(words)}")
        return found[0]

    return read


def port(raw: Raw) -> int:
    """A TCP port."""
    said = str(raw).strip()
    if not said.isascii() or not said.isdigit() or not 0 < int(said) < 65_536:  # noqa: PLR2004 - ports end there
        raise BadAnswerError(f"found {shown(raw)}; wanted a port from 1 to 65535, usually 1883")
    return int(said)


def name(raw: Raw) -> str:
    """A device's name: as spoken, its blanks become underscores."""
    from gatehand.listening.roles import table_name

    said = str(raw).strip()
    if not re.search("[A-Za-z0-9]", said):
        raise BadAnswerError(f"found {shown(raw)}; wanted a name with a letter or a digit, such as band saw")
    return table_name(said)


def names(raw: Raw) -> list[str]:
    """Names, separated by commas; an empty list for "none"."""
    if _is(raw, NONE):
        return []
    given = raw if isinstance(raw, list) else [part for part in str(raw).split(",") if part.strip()]
    found = [name(each) for each in given]
    for at, each in enumerate(found):
        if each in found[:at]:
            raise BadAnswerError(f"{each} is named twice; wanted different names")
    if not found:
        raise BadAnswerError('found no name; wanted names, separated by commas, or "none"')
    return found


def names_of(known: Sequence[str], what: str) -> Read:
    """Some of the names that there are."""

    def read(raw: Raw) -> list[str]:
        found = names(raw)
        for each in found:
            if each not in known:
                raise BadAnswerError(f"there is no {what} {each}; there are {listed(known, last='and')}")
        return found

    return read


def name_of(known: Sequence[str], what: str) -> Read:
    """One of them."""

    def read(raw: Raw) -> str:
        found: list[str] = names_of(known, what)(raw)
        if len(found) != 1:
            raise BadAnswerError(f"found {shown(raw)}; wanted one {what}")
        return found[0]

    return read


def seconds(raw: Raw) -> float:
    """A duration: seconds, or with a unit."""
    value = raw
    if isinstance(raw, str):
        value = float(raw) if re.fullmatch(r"\s*\d+(\.\d+)?\s*", raw) else raw.strip()
    try:
        return times.seconds(value)
    except times.NoDurationError as error:
        raise BadAnswerError(f"found {shown(raw)}; {error}") from None


def some_seconds(raw: Raw) -> float:
    """A duration above 0."""
    found = seconds(raw)
    if found == 0:
        raise BadAnswerError(f"found {shown(raw)}; wanted a duration above 0")
    return found


def positive(raw: Raw) -> float:
    """A number above 0; its unit may stand behind it."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:A|W|amps?|watts?)?\s*", str(raw))
    if match is None or isinstance(raw, bool) or float(match[1]) <= 0:
        raise BadAnswerError(f"found {shown(raw)}; wanted a number above 0")
    return float(match[1])


def signal(*keys: str, or_keys: Sequence[str] = ()) -> Read:
    """A signal as the config writes it, with these words, or with those of `or_keys`; a topic alone where none is."""

    def read(raw: Raw) -> SignalAnswer:
        wanted = f"{{ {', '.join(('topic', *keys))} }}"
        table = raw if isinstance(raw, dict) else _inline(str(raw), wanted, alone=not keys)
        unknown = [key for key in table if key not in {"topic", "pointer", "scale", *keys, *or_keys}]
        if unknown or "topic" not in table:
            wrong = f"there is no {unknown[0]} here" if unknown else "topic is missing"
            raise BadAnswerError(f"{wrong}; wanted {wanted}")
        present = [key for key in (*keys, *or_keys) if key in table]
        if present != list(keys) and present != list(or_keys):
            raise BadAnswerError(f"found {listed(['topic', *present], last='and')}; wanted {wanted}")
        words = {key: _checked(values.payload, table[key]) for key in present}
        if len(set(words.values())) < len(words):
            raise BadAnswerError(f"found the same word for {listed(words, last='and')}; wanted different words")
        pointer, scale = table.get("pointer"), table.get("scale", 1.0)
        return SignalAnswer(
            _checked(values.topic, table["topic"]),
            None if pointer is None else _checked(values.pointer, pointer),
            words,
            _checked(values.scale, scale),
        )

    return read


def _inline(said: str, wanted: str, *, alone: bool) -> dict[str, Any]:
    if alone and not said.strip().startswith("{"):
        return {"topic": text(said)}
    try:
        found = tomllib.loads(f"x = {said}")["x"]
    except tomllib.TOMLDecodeError:
        found = None
    if not isinstance(found, dict):
        raise BadAnswerError(f"found {shown(said)}; wanted {wanted}, each in quotes, as the config writes it")
    return found


def _checked(check: Callable[[object], T], value: object) -> T:
    """As the config's own check has it."""
    try:
        return check(value)
    except PydanticCustomError as error:
        raise BadAnswerError(error.message()) from None


def _is(raw: Raw, word: str) -> bool:
    return isinstance(raw, str) and raw.strip().casefold() == word
