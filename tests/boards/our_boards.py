"""What the tests of settings and boards share: shops drawn as configs, and the boards' own programs in CPython.

The programs of deploy/boards are loaded as they are, beside the stand-ins.
"""

import importlib
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

from hypothesis import assume
from hypothesis import strategies as st

from gatehand.boards.devices import Device, devices
from gatehand.boards.owners import hardware, merged, to_fill_in
from gatehand.boards.refused import refusals
from gatehand.boards.settings import Broker, settings_of
from gatehand.config import Config, load_text
from gatehand.mqtt.payload import write_pointer
from gatehand.text import toml_text

ROOT = Path(__file__).parents[2]
BOARDS = ROOT / "deploy" / "boards"
STANDINS = Path(__file__).with_name("standins")
BROKER = Broker("192.168.1.10", 1883, None, has_logins=False)
STILL = SimpleNamespace(ticks_ms=lambda: 0, ticks_us=lambda: 0, ticks_diff=lambda now, then: now - then)
"""MicroPython's clock, standing."""
WIFI = {"ssid": "shop", "password": "saw dust"}

# The boards' programs


@cache
def _names() -> frozenset[str]:
    return frozenset(path.stem for folder in (BOARDS, STANDINS) for path in folder.glob("*.py"))


@cache
def _loaded() -> dict[str, ModuleType]:
    return {}


@contextmanager
def boards_modules() -> Iterator[Callable[[str], Any]]:
    """Imports a file of deploy/boards, or of the stand-ins, by its name; afterwards all is as it was."""
    path, others = sys.path[:], {name: sys.modules.pop(name) for name in _names() & sys.modules.keys()}
    sys.path[:0] = [str(STANDINS), str(BOARDS)]
    sys.modules.update(_loaded())
    try:
        yield importlib.import_module
    finally:
        sys.path[:] = path
        for name in _names() & sys.modules.keys():
            _loaded()[name] = sys.modules.pop(name)
        sys.modules.update(others)


def board_settings(table: dict[str, Any]) -> Any:  # noqa: ANN401 - a class that CPython does not know
    """`board.Settings` of a settings file, which has been on the disk."""
    with boards_modules() as module:
        return module("board").Settings(json.loads(json.dumps(table)))


def program(table: dict[str, Any]) -> Any:  # noqa: ANN401
    """The role that a board's own program makes of its settings file, in which nothing is missing."""
    settings = board_settings(table)
    with boards_modules() as module:
        module("world").fresh()
        role = module(table["role"])
        for each in _names() & sys.modules.keys():
            if hasattr(sys.modules[each], "time"):
                vars(sys.modules[each])["time"] = STILL
        return role.make(settings)


class Wire:
    """Stands in for the boards' MQTT client: it is connected at once, and keeps what is said."""

    waits, subscribed, behind, refused, why = True, True, False, False, ""

    def __init__(self) -> None:
        with boards_modules() as module:
            self.phase = module("mqtt").UP
        self.said: dict[str, bytes] = {}

    def tick(self, _now: int) -> None:
        """Nothing is due."""

    def publish(self, topic: str, payload: bytes, _now: int, *, retain: bool, qos: int) -> bool:
        """Keep it."""
        assert retain == (qos == 1)
        self.said[topic] = payload
        return True


def about(table: dict[str, Any]) -> tuple[str, bytes]:
    """Topic and payload by which a board of these settings says what it is: made by its own program."""
    role, wires = program(filled_in(table)), list[Wire]()
    with boards_modules() as module:
        board, link_module = module("board"), module("link")
        own = link_module.Client

        def client(*_: object) -> Wire:
            wires.append(Wire())
            return wires[-1]

        link_module.Client = client
        try:
            module("world").fresh()
            link = board.Link(board_settings(table), lambda _text: None)
            link.serve(role)
            for now in (0, 10, 20):
                link.tick(now)
        finally:
            link_module.Client = own
    topic = table["about"]["topic"]
    return topic, wires[0].said[topic]


# What a config makes of it


def made_of(config: Config) -> Iterator[tuple[Device, dict[str, Any]]]:
    """Each board of a config with its settings file, its owner's part filled in."""
    unfit = {one.login for one in refusals(config) if one.is_ours}
    for device in devices(config):
        if device.role is not None and device.login not in unfit:
            yield device, filled_in(merged(settings_of(config, device, BROKER), None, WIFI, has_login=False))


def filled_in(table: dict[str, Any]) -> dict[str, Any]:
    """The same with a pin or a figure wherever one must be."""
    whole: dict[str, Any] = json.loads(json.dumps(table))
    for number, key in enumerate(to_fill_in(whole), 2):
        *way, last = key.split(".") if ".pins." not in key else ("hardware", "pins", key.partition(".pins.")[2])
        here = whole
        for each in way:
            here = here[each]
        here[last] = {"amps_per_volt": 30.0, "ssid": "shop"}.get(last, number)
    assert hardware(table).keys() <= whole["hardware"].keys()
    return whole


# Shops

_WORDS = st.text(st.sampled_from("ab1 0.~/\"'\\{}é€🪚-"), min_size=1, max_size=6).filter(str.strip)
WORDS = st.one_of(_WORDS, st.sampled_from(["open", "shut", "true", "false", "1", "0", "1.0", "ON", "null"]))
_KEYS = st.text(st.sampled_from('ab~/ é"\\.'), max_size=4)
PATHS = st.lists(_KEYS, min_size=1, max_size=3)


@st.composite
def _source(draw: st.DrawFn, topic: str, *keys: str, poll: bool = True) -> str:
    words = draw(st.lists(WORDS, min_size=len(keys), max_size=len(keys), unique_by=lambda word: word.strip()))
    assume(len({_number(word) for word in words}) == len(words))
    parts = [f"topic = {toml_text(topic)}", *(f"{key} = {toml_text(w)}" for key, w in zip(keys, words, strict=True))]
    if draw(st.booleans()):
        parts.append(f"pointer = {toml_text(write_pointer(draw(PATHS)))}")
    if poll and draw(st.integers(0, 3)) == 0:
        parts.append(f"poll = {{ topic = {toml_text(f'{topic}/ask')}, payload = {toml_text(draw(WORDS))} }}")
    return f"{{ {', '.join(parts)} }}"


def _number(word: str) -> str | float:
    """Words that are the same number are the same word."""
    try:
        return float(word)
    except ValueError:
        return word.strip()


@st.composite
def _meter(draw: st.DrawFn, topic: str) -> str:
    parts = [f"topic = {toml_text(topic)}"]
    if draw(st.booleans()):
        path = draw(PATHS)
        parts.append(f"pointer = {toml_text(write_pointer(path))}")
        if draw(st.booleans()):
            last = draw(st.sampled_from([one for one in ("at", "time", "t/~") if one != path[-1]]))
            parts.append(f"at = {toml_text(write_pointer([*path[:-1], last]))}")
    if draw(st.booleans()):
        parts.append(f"scale = {draw(st.sampled_from(['0.001', '2.5', '1000']))}")
    return f"{{ {', '.join(parts)} }}"


@st.composite
def shop_texts(draw: st.DrawFn) -> str:
    """A config that is in order: devices of every kind, with topics, words and pointers as odd as may be."""
    home = draw(st.sampled_from(["shop", "", "werk/é", "a/b/c"]))

    def some(line: str, made: st.SearchStrategy[str], chance: int = 2) -> list[str]:
        return [f"{line} = {draw(made)}"] if draw(st.integers(1, chance)) == 1 else []

    def at(*levels: str) -> str:
        return "/".join([home, *levels])

    def online(device: str) -> list[str]:
        return some("online", _source(at(device, "here"), "active", "clear", poll=False))

    def command(device: str, *keys: str) -> str:
        words = draw(st.lists(WORDS, min_size=2, max_size=2, unique=True))
        pairs = ", ".join(f"{key} = {toml_text(word)}" for key, word in zip(keys, words, strict=True))
        return f"command = {{ topic = {toml_text(at(device, 'set'))}, {pairs} }}"

    lines = ["[collector.main]", command("fan", "on", "off")]
    lines += some("state", _source(at("fan", "state"), "on", "off"))
    lines += some("current", _meter(at("fan", "amps"))) or some("running", _source(at("air"), "active", "clear"))
    lines += some("bin_full", _source(at("bin", "full"), "active", "clear"))
    lines += some("reset", _source(at("fan", "reset"), "pressed", "released")) + online("fan")
    lines.append(f"refresh = {draw(st.sampled_from([1, 2, 20, 33.3]))}")
    for name in ("saw", "plane", "sweep")[: draw(st.integers(1, 3))]:
        lines += [f"[gate.{name}]", f"travel = {draw(st.sampled_from([0.3, 1.5, 4]))}"]
        driven = draw(st.booleans())
        lines += [command(f"gate_{name}", "open", "shut")] if driven else []
        lines += some("state", _source(at(f"gate_{name}", "state"), "open", "shut"), 2 if driven else 1)
        lines += [f"button = {draw(_source(at(f'gate_{name}', 'button'), 'pressed'))}", *online(f"gate_{name}")]
    for name in ("saw", "plane")[: draw(st.integers(0, 2))]:
        lines += [f"[tool.{name}]", 'gates = ["saw"]']
        match draw(st.integers(0, 2)):
            case 0:
                lines += ["start_watts = 200", f"power = {draw(_meter(at(name, 'watts')))}"]
            case 1:
                lines.append(f"running = {draw(_source(at(name, 'runs'), 'active', 'clear'))}")
            case _:
                lines += ["start_amps = 2.5", f"current = {draw(_meter(at(name, 'amps')))}"]
        lines += online(name)
    for name in ("emergency", "spark")[: draw(st.integers(0, 2))]:
        signal = draw(_source(at(name), "active", "clear"))
        lines += [f"[stop.{name}]", *_as_table(signal), *online(name)]
    return "\n".join(lines)


def _as_table(inline: str) -> list[str]:
    """An inline table as dotted lines below a header: TOML itself takes it apart."""
    import tomllib

    found = tomllib.loads(f"x = {inline}")["x"]
    poll = found.pop("poll", None)
    lines = [f"{key} = {toml_text(value)}" for key, value in found.items()]
    if poll is not None:
        lines += [f"poll = {{ topic = {toml_text(poll['topic'])}, payload = {toml_text(poll['payload'])} }}"]
    return lines


def config_of(text: str) -> Config:
    """A config that must be in order."""
    loaded = load_text(text, Path("config.toml"), files=False)
    assert loaded.config is not None, (text, loaded.errors)
    return loaded.config


shops = shop_texts().map(config_of)
