"""Shops drawn from a seed, as a first evening finds them: what stands on each device, how often it speaks, what else.

A shop is a config that is true of it, from which `SimShop` makes its devices, and what a config does not say: what
stands beside the values in a document, what the broker keeps, how often a word is repeated, and by what means the
owner can work each device before Gatehand is there. Topics say by their names what they are in about half of the
shops only.
"""

import json
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from random import Random
from typing import Final

from gatehand.config import Config
from gatehand.config.load import load_text
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import Inrush, ToolHabits

ON_OFF: Final = (
    ("1", "0"),
    ("on", "off"),
    ("ON", "OFF"),
    ("true", "false"),
    ("running", "standing"),
    ("closed", "open"),
)
OPEN_SHUT: Final = (("open", "shut"), ("OPEN", "CLOSED"), ("1", "0"), ("true", "false"), ("up", "down"), ("100", "0"))
CONTACT: Final = (("1", "0"), ("on", "off"), ("true", "false"), ("ALARM", "OK"), ("open", "closed"), ("pushed", "free"))
PRESS: Final = (("1", "0"), ("down", "up"), ("pressed", "released"), ("true", "false"))
TOOLS: Final = ("band_saw", "jointer", "drum_sander", "carving_router", "table_saw", "thicknesser", "spindle_moulder")
POINTERS: Final = ("", "/value", "/v", "/state", "/in/0", "/data/now", "/out/a")
AMPS: Final = ("/amps", "/current", "/i", "/meter/current", "/meas/1", "/1")
MILLIAMPS: Final = ("/ma", "/current_ma", "/meter/mA")
WATTS: Final = ("/power", "/watts", "/p", "/meter/power", "/meas/0", "/0")
EXTRAS: Final = ("rssi", "uptime", "temperature", "name", "fw", "ok", "err")


@dataclass(frozen=True)
class Beside:
    """A value that stands in a document beside the one that counts; `kind` says how it behaves."""

    pointer: str
    kind: str


@dataclass(frozen=True)
class Means:
    """How the owner works a device on the first evening."""

    by: str
    """"hand": at the device itself; "phone": by a client of the owner's that says its command; "none": not at all."""


@dataclass
class MadeShop:
    """One shop. Topics are those of the true config."""

    seed: int
    text: str
    habits: Habits
    beside: dict[str, list[Beside]] = field(default_factory=dict)
    """By topic."""
    kept: set[str] = field(default_factory=set)
    """Topics of readings and buttons that the broker keeps (contacts and reports are kept by their habits)."""
    not_kept: set[str] = field(default_factory=set)
    """Topics whose words the broker does not keep."""
    repeated: dict[str, float] = field(default_factory=dict)
    """Topics that say their last word again, every so many seconds."""
    means: dict[tuple[str, str], Means] = field(default_factory=dict)
    boards: set[tuple[str, str]] = field(default_factory=set)
    """Devices, by kind and name, that are boards of our own and say so."""
    kinds: str = ""
    """For a figure: what was drawn."""

    def by(self, kind: str, name: str) -> str:
        """How a device is worked; by hand where nothing is said."""
        return self.means.get((kind, name), Means("hand")).by

    @cached_property
    def config(self) -> Config:
        """The true config."""
        loaded = load_text(self.text, Path("true.toml"), files=False)
        assert loaded.config is not None, (self.seed, "\n".join(map(str, loaded.errors)), self.text)
        return loaded.config


class _Draw:
    """One shop in the making."""

    def __init__(self, seed: int) -> None:
        self.random = Random(f"first config {seed}")
        self.telling = self.random.random() < 0.5
        """Whether topics say what they are."""
        self.words = self.random.choice(("plain", "mixed"))
        self.shop = MadeShop(seed, "", Habits())
        self.tools: dict[str, ToolHabits] = {}
        self.gates: dict[str, GateHabits] = {}
        self.collectors: dict[str, CollectorHabits] = {}
        self.lines: list[str] = []
        self._taken: set[str] = set()
        self.gateway = f"gw/{self.random.randrange(10**4)}" if self.random.random() < 0.25 else None
        """One box that all meters stand behind: one topic, one document."""

    def chance(self, share: float) -> bool:
        return self.random.random() < share

    def topic(self, device: str, what: str) -> str:
        """A topic that nobody has yet."""
        while True:
            number = f"{self.random.randrange(16**6):06x}"
            if self.telling:
                form = self.random.choice(("shop/{d}/{w}", "shop/{w}/{d}", "werk/{d}/{w}", "{d}/{w}"))
            else:
                form = self.random.choice(("dev/{n}/{s}", "n{n}/{s}", "floor/{n}/{s}", "x/y/{n}/{s}"))
            short = self.random.choice(("a", "b", "out", "1", "2", "ch0", "t"))
            found = form.format(d=device, w=what, n=number, s=short)
            if found not in self._taken:
                self._taken.add(found)
                return found

    def beside(self, topic: str, last: str) -> str:
        """A topic beside that one, that nobody has yet."""
        found = f"{topic.rpartition('/')[0]}/{last}"
        while found in self._taken:
            found += "_"
        self._taken.add(found)
        return found

    def pair(self, pairs: tuple[tuple[str, str], ...]) -> tuple[str, str]:
        return pairs[0] if self.words == "plain" and self.chance(0.5) else self.random.choice(pairs)

    def pointer(self, some: tuple[str, ...] = POINTERS) -> str:
        return self.random.choice(some)

    def dress(self, topic: str, pointer: str) -> None:
        """Put a few things beside a value in a document."""
        if pointer:
            parent = pointer.rpartition("/")[0]
            listed = pointer.rpartition("/")[2].isdigit()
            names = self.random.sample(EXTRAS, self.random.randrange(0, 4))
            here = self.shop.beside.setdefault(topic, [])
            taken = {each.pointer for each in here}
            # In a list it is the outer document that has room for more.
            fresh = (f"{'' if listed else parent}/{name}" for name in names)
            outside = not (listed and parent == "")
            here += [Beside(each, each.rpartition("/")[2]) for each in fresh if each not in taken and outside]

    def word_habits(self, topic: str) -> None:
        if self.chance(0.35):
            self.shop.not_kept.add(topic)
        if self.chance(0.25):
            self.shop.repeated[topic] = self.random.choice((10.0, 30.0, 60.0))


def made_shop(seed: int) -> MadeShop:
    """The shop of that number, the same each time."""
    draw = _Draw(seed)
    random = draw.random
    collectors = ["main"] if draw.chance(0.9) else ["main", "bench"]
    tools = random.sample(TOOLS, random.randrange(2, 6))
    gates, serves = _gates_of(draw, tools, collectors)
    for name in collectors:
        _collector(draw, name)
    for name, (home, served) in gates.items():
        _gate(draw, name, home if len(collectors) > 1 else None, served=served)
    for name in tools:
        _tool(draw, name, serves[name])
    for name in random.sample(("emergency", "spark", "smoke"), random.choice((0, 1, 1, 2))):
        _stop(draw, name)
    draw.shop.text = "\n".join(draw.lines)
    draw.shop.habits = Habits(tools=draw.tools, gates=draw.gates, collectors=draw.collectors)
    return draw.shop


def _gates_of(
    draw: _Draw, tools: list[str], collectors: list[str]
) -> tuple[dict[str, tuple[str, bool]], dict[str, list[str]]]:
    """Gates, each with its collector and whether it serves a tool; and the gates of each tool."""
    gates: dict[str, tuple[str, bool]] = {}
    serves: dict[str, list[str]] = {}
    for at, tool in enumerate(tools):
        home = collectors[at % len(collectors)]
        shared = [name for name, (other, _) in gates.items() if other == home]
        if shared and draw.chance(0.25):
            serves[tool] = [draw.random.choice(shared)]
            continue
        gates[tool] = (home, True)
        serves[tool] = [tool]
        if draw.chance(0.15):
            gates[f"{tool}_2"] = (home, True)
            serves[tool].append(f"{tool}_2")
    if draw.chance(0.4):
        gates["sweep"] = (collectors[0], False)
    return gates, serves


def _source(topic: str, pointer: str, **words: str) -> str:
    parts = [f"topic = {json.dumps(topic)}"]
    if pointer:
        parts.append(f"pointer = {json.dumps(pointer)}")
    parts += [f"{key} = {json.dumps(word)}" for key, word in words.items()]
    return "{ " + ", ".join(parts) + " }"


def _said(draw: _Draw, device: str, what: str, keys: tuple[str, str], pairs: tuple[tuple[str, str], ...]) -> str:
    """A source of words."""
    topic, pointer = draw.topic(device, what), draw.pointer()
    draw.dress(topic, pointer)
    if "pressed" not in keys:
        draw.word_habits(topic)
    return _source(topic, pointer, **dict(zip(keys, draw.pair(pairs), strict=True)))


def _collector(draw: _Draw, name: str) -> None:
    random, lines = draw.random, draw.lines
    lines.append(f"\n[collector.{name}]")
    if draw.chance(0.15):
        lines += _board_collector(draw, name)
        return
    on, off = draw.pair(ON_OFF[:4])
    command = draw.topic(f"collector_{name}", "set")
    state, meter = draw.chance(0.75), draw.chance(0.6)
    if state and draw.chance(0.5):
        # A switch whose two topics stand side by side, as most do.
        topic = draw.beside(command, random.choice(("state", "stat", "is", "status")))
        pointer = draw.pointer()
        draw.dress(topic, pointer)
        draw.word_habits(topic)
        said = (on, off) if draw.chance(0.7) else draw.pair(ON_OFF)
        lines.append(f"state = {_source(topic, pointer, on=said[0], off=said[1])}")
    elif state:
        lines.append(f"state = {_said(draw, f'collector_{name}', 'state', ('on', 'off'), ON_OFF)}")
    lines.append(f"command = {_source(command, '', on=on, off=off)}")
    every = random.choice((1.0, 1.0, 10.0, 0.0))
    if meter:
        lines += _meter(draw, f"collector_{name}", random.uniform(5, 12), collector=True)
    lines.append(f"coast_down = {random.choice((5, 8, 12))}")
    if draw.chance(0.3):
        lines.append(f"bin_full = {_said(draw, f'bin_{name}', 'full', ('active', 'clear'), CONTACT)}")
    if draw.chance(0.3):
        lines.append(f"reset = {_said(draw, f'collector_{name}', 'reset', ('pressed', 'released'), PRESS)}")
    draw.collectors[name] = CollectorHabits(every=every, limit=0.0)
    by = "phone" if draw.chance(0.5) else "hand"
    draw.shop.means["collector", name] = Means(by)


def _board_collector(draw: _Draw, name: str) -> list[str]:
    draw.shop.boards.add(("collector", name))
    draw.shop.means["collector", name] = Means("hand")
    draw.collectors[name] = CollectorHabits(every=1.0, limit=0.0)
    return [
        f'command = {{ topic = "shop/switch/{name}/set", on = "1", off = "0" }}',
        f'state = {{ topic = "shop/switch/{name}/state", on = "1", off = "0" }}',
        "coast_down = 8",
    ]


def _gate(draw: _Draw, name: str, home: str | None, *, served: bool) -> None:
    random, lines = draw.random, draw.lines
    lines.append(f"\n[gate.{name}]")
    if home is not None:
        lines.append(f'collector = "{home}"')
    if draw.chance(0.12):
        draw.shop.boards.add(("gate", name))
        draw.gates[name] = GateHabits(travel=0.9)
        draw.shop.means["gate", name] = Means("hand")
        lines.append(f'command = {{ topic = "shop/gate/{name}/set", open = "open", shut = "shut" }}')
        lines.append(f'state = {{ topic = "shop/gate/{name}/state", open = "open", shut = "shut" }}')
        lines.append(f'button = {{ topic = "shop/gate/{name}/button", pressed = "1" }}')
        return
    travel = round(random.uniform(0.6, 3.0), 1)
    draw.gates[name] = GateHabits(travel=travel, says_between=draw.chance(0.3), answers=draw.chance(0.8))
    motor = draw.chance(0.85)
    state = not motor or draw.chance(0.75)
    words = draw.pair(OPEN_SHUT)
    document: tuple[str, str] | None = None
    command = draw.topic(f"gate_{name}", "set")
    if state:
        beside = draw.chance(0.6)
        end = random.choice(("state", "is", "position", "end"))
        topic = draw.beside(command, end) if beside else draw.topic(f"gate_{name}", "state")
        pointer = draw.pointer()
        draw.dress(topic, pointer)
        draw.word_habits(topic)
        lines.append(f"state = {_source(topic, pointer, open=words[0], shut=words[1])}")
        document = (topic, pointer) if pointer else None
    if motor:
        told = words if draw.chance(0.7) else draw.pair(OPEN_SHUT)
        lines.append(f"command = {_source(command, '', open=told[0], shut=told[1])}")
        lines.append(f"travel = {round(travel * 1.4 + 0.3, 1)}")
    if not served or draw.chance(0.3):
        if motor and document is not None and draw.chance(0.3) and document[1] != "/action":
            draw.shop.repeated.pop(document[0], None)  # a press is never said again
            lines.append(f"button = {_source(document[0], '/action', pressed='single')}")
        elif motor:
            pointer = draw.pointer(("", "", "/action", "/event"))
            topic = draw.topic(f"gate_{name}", "button")
            draw.dress(topic, pointer)
            pressed = random.choice(("1", "single", "press", "true"))
            lines.append(f"button = {_source(topic, pointer, pressed=pressed)}")
        else:
            lines.append('on_hand_open = "start"' if not served else "relief = false")
    by = "hand" if not motor else random.choice(("phone", "phone", "hand"))
    draw.shop.means["gate", name] = Means("none" if motor and not state and by == "hand" else by)


def _tool(draw: _Draw, name: str, gates: list[str]) -> None:
    random, lines = draw.random, draw.lines
    lines.append(f"\n[tool.{name}]")
    lines.append(f"gates = {json.dumps(gates)}")
    if draw.chance(0.12):
        draw.shop.boards.add(("tool", name))
        draw.tools[name] = ToolHabits(every=1.0)
        lines.append(f'current = {{ topic = "shop/sensor/{name}/amps", pointer = "/amps", at = "/at" }}')
        lines.append("start_amps = 2.5")
    else:
        lines += _meter(draw, name, random.uniform(3, 11), idle=random.choice((0.0, 0.01, 0.05)))
    lines.append(f"run_on = {random.choice((0, 5, 10, 15))}")
    draw.shop.means["tool", name] = Means("hand")


def _meter(draw: _Draw, device: str, amps: float, *, idle: float = 0.0, collector: bool = False) -> list[str]:
    """The lines of a tool's or collector's sensor, and its habits."""
    random = draw.random
    kind = random.choice(("amps", "amps", "milliamps", "watts", "watts", "running"))
    rhythm = random.choice((1.0, 1.0, 10.0, 60.0, 0.0))
    silent = {1.0: 30, 10.0: 60, 60.0: 200, 0.0: 0}[rhythm]
    what = {"amps": "amps", "milliamps": "current", "watts": "power", "running": "running"}[kind]
    if not collector:
        soft = draw.chance(0.3)
        draw.tools[device] = ToolHabits(
            every=rhythm, on_change=rhythm in {0.0, 60.0} or draw.chance(0.5), inrush=None if soft else Inrush()
        )
    if kind == "running":
        topic, pointer = draw.topic(device, what), draw.pointer()
        draw.dress(topic, pointer)
        if draw.chance(0.5):
            draw.shop.not_kept.add(topic)
        active, clear = draw.pair(ON_OFF)
        return [
            f"running = {_source(topic, pointer, active=active, clear=clear)}",
            *([] if collector else [f"silent_after = {silent if rhythm else 0}"]),
        ]
    topic = draw.topic(device, what)
    pointers = {"amps": AMPS, "milliamps": MILLIAMPS, "watts": WATTS}[kind]
    pointer = "" if draw.chance(0.35) else random.choice(pointers)
    if draw.gateway is not None and not collector:
        topic, pointer = draw.gateway, f"/{random.choice(('ch', 'in'))}{len(draw.tools)}/{pointers[0].strip('/')}"
    if pointer:
        draw.dress(topic, pointer)
        _electrical(draw, topic, pointer, kind)
    if draw.chance(0.3):
        draw.shop.kept.add(topic)
    scale = ", scale = 0.001" if kind == "milliamps" else ""
    table = _source(topic, pointer)[:-2] + scale + " }"
    key, unit = ("power", "watts") if kind == "watts" else ("current", "amps")
    working = amps * 230 * 0.8 if kind == "watts" else amps
    if collector:
        return [f"{key} = {table}", f"running_{unit} = {round(working / 3, 2)}"]
    draw.tools[device] = replace(draw.tools[device], idle=round(idle * working, 3), running=round(working, 2))
    start = round(working / 2.2, 2)
    return [
        f"{key} = {table}",
        f"start_{unit} = {start}",
        f"stop_{unit} = {round(start * random.choice((0.5, 0.7)), 2)}",
        f"silent_after = {silent}",
    ]


def _electrical(draw: _Draw, topic: str, pointer: str, kind: str) -> None:
    """What a meter says besides: voltage, energy, and often the other of current and power."""
    parent, _, last = pointer.rpartition("/")
    if last.isdigit():
        return
    here = draw.shop.beside.setdefault(topic, [])
    for name in ("voltage", "energy", "factor", "relay"):
        if draw.chance(0.35):
            here.append(Beside(f"{parent}/{name}", name))
    if draw.chance(0.5):
        other = {"amps": "power", "milliamps": "power", "watts": "current"}[kind]
        here.append(
            Beside(f"{parent}/{other}2" if other == last else f"{parent}/{other}", f"also {other} of {pointer}")
        )


def _stop(draw: _Draw, name: str) -> None:
    source = _said(draw, f"stop_{name}", "contact", ("active", "clear"), CONTACT)
    draw.lines += [f"\n[stop.{name}]", *(part.strip() for part in source.strip("{} ").split(", "))]
