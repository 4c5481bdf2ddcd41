"""A board as a process: its program as it ships, in MicroPython, beside stand-ins for hardware, on a wire to a broker.

The clock of a board goes only as far as a test grants, so no duration in here depends on how busy the computer is. What
the role is, and what must hold of it, may not enter.
"""

import contextlib
import json
import os
import socket
import struct
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from support.micropython import BOARDS, micropython_program
from support.ports import free_port

HERE: Final = Path(__file__).parent
PATH: Final = (HERE / "standins" / "process", HERE / "standins", BOARDS)
WRAP_MS: Final = 1 << 30
BOOT_MS: Final = 500
"""From a reset to the first line of the program [from memory: a quarter of a second to two]."""
STUCK_S: Final = 60.0
"""Of the computer's time: so long without an answer, and a process will surely give none. It measures nothing."""


class Act(NamedTuple):
    """Something that a board did: when (milliseconds of the shop), what, of which pin or timer, and to what."""

    at: int
    what: str
    pin: int
    value: Any


class BoardProcess:
    """One board, from `power_up` on. `acts` and `console` grow over all its lives.

    Args:
        folder: its own; settings.json is written there, and it may hold further modules of a test.
        settings: what settings.json holds.
        tick_ms: what its tick says at power-up.
        inputs: level of each pin that is not left open.
    """

    def __init__(
        self, folder: Path, settings: Mapping[str, Any], tick_ms: int = 0, inputs: Mapping[int, int] | None = None
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "settings.json").write_text(json.dumps(settings))
        self.name = f"{settings['role']} {settings['name']}"
        self.acts: list[Act] = []
        self.console: list[str] = []
        self.now = 0
        """Milliseconds of the shop."""
        self.lives: list[int] = []
        """When each of its lives began."""
        self._folder = folder
        self._tick_ms = tick_ms
        self._levels = dict(inputs or {})
        self._words: dict[str, str] = {}
        self._process: subprocess.Popen[str] | None = None
        self._up_at: int | None = None
        self._cause = 1
        self._granted = False

    @property
    def born_at(self) -> int:
        """When its present life, or its last one, began."""
        return self.lives[-1]

    @property
    def runs(self) -> bool:
        """Whether its program runs."""
        return self._process is not None

    def output(self, pin: int, what: str = "pin") -> Any:  # noqa: ANN401  # a level, or nanoseconds of a pulse
        """What this output is at now; None: nobody drives it."""
        for act in reversed(self.acts):
            if act.what == "power":
                return None
            if (act.what, act.pin) == (what, pin):
                return act.value
        return None

    def power_up(self) -> None:
        """Switch it on now."""
        assert self._process is None, f"{self.name} is switched on already"
        self._up_at = None
        self.lives.append(self.now)
        self._process = subprocess.Popen(  # noqa: S603
            [micropython_program(), "-m", "boot"],
            cwd=self._folder,
            env={**os.environ, "MICROPYPATH": ":".join(["", *map(str, PATH), ".frozen"])},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            bufsize=1,
        )
        self._granted = True
        self.settle()
        self._tell(f"tick {self._tick_ms}")
        self._tell(f"cause {self._cause}")
        for pin, level in self._levels.items():
            self._tell(f"pin {pin} {level}")
        for words in self._words.values():
            self._tell(words)

    def cut_power(self, cause: int = 1, off_ms: int | None = None) -> None:
        """Everything stops in this instant, and all outputs with it; `off_ms`: it comes back after so long."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            assert self._process.stdin is not None
            assert self._process.stdout is not None
            with contextlib.suppress(BrokenPipeError):
                self._process.stdin.close()
            self._process.stdout.close()
            self._process = None
            self.acts.append(Act(self.now, "power", 0, 0))
        self._granted = False
        self._cause = cause
        self._up_at = None if off_ms is None else self.now + off_ms

    def grant(self, milliseconds: int) -> None:
        """It may go on for so long; `settle` waits until it has."""
        if self._up_at is not None and self.now >= self._up_at:
            self.power_up()
        self.now += milliseconds
        if self._process is not None:
            self._granted = True
            self._tell(f"go {milliseconds * 1000}")

    def settle(self) -> None:
        """Wait until all that was granted has passed for it."""
        while self._granted:
            assert self._process is not None
            assert self._process.stdout is not None
            line = self._process.stdout.readline()
            if line == "@.\n":
                self._granted = False
            elif line.startswith("@"):
                at, what, pin, value = json.loads(line[1:])
                self.acts.append(Act(self.born_at + at, what, pin, value))
                if what == "reset":
                    self.cut_power(3 if value == "watchdog" else 1, BOOT_MS)
            elif line:
                self.console.append(line.rstrip("\n"))
            else:
                raise AssertionError(f"{self.name} ended:\n" + "\n".join(self.console[-20:]))

    def pin(self, number: int, level: int) -> None:
        """From now on this input reads so: 0 is pulled down to ground, 1 is open."""
        self._levels[number] = level
        if self._process is not None:
            self._tell(f"pin {number} {level}")

    def wave(self, pin: int, middle: int, peak: int, hertz: int) -> None:
        """A sine at a converter, in its steps (0 to 65535)."""
        self._keep(f"wave {pin}", f"{middle} {peak} {hertz}")

    def convert(self, microseconds: int) -> None:
        """How long a look at a converter takes; longer ones make a run shorter."""
        self._keep("convert", f"{microseconds}")

    def wifi(self, *, there: bool) -> None:
        """Whether there is Wi-Fi at the board."""
        self._keep("wifi", f"{int(there)}")

    def look_takes(self, microseconds: int) -> None:
        """Reading the tick takes so long: a board that looks more seldom lets a whole shop be played in less time."""
        self._keep("look", f"{microseconds}")

    def hang(self) -> None:
        """Its loop gets no further from now on: only timers and the watchdog do."""
        self._tell("hang")

    def _keep(self, word: str, rest: str) -> None:
        self._words[word] = f"{word} {rest}"
        if self._process is not None:
            self._tell(self._words[word])

    def _tell(self, line: str) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # it has ended: `settle` says with what last words
            self._process.stdin.write(line + "\n")


class Wire:
    """The way of a board's connections to the broker, which can be cut so that both sides see a dead link.

    Args:
        broker_port: where it leads to.
    """

    def __init__(self, broker_port: int) -> None:
        self.port = free_port()
        self.dialled: list[int] = []
        """When the board called, by `now`."""
        self.brought: list[tuple[int, bytes]] = []
        """What the broker sent to the board, and when it went on, by `now`."""
        self.now = 0
        self.hushed = False
        """Whether nothing comes from the broker's side."""
        self._broker_port = broker_port
        self._listener: socket.socket | None = self._listening()
        self._pairs: list[_Pair] = []
        self._ghosts: list[socket.socket] = []
        self._dead = False

    @property
    def carries(self) -> int:
        """How many connections stand."""
        return len(self._pairs)

    def cut(self, *, refuses: bool) -> None:
        """Nothing passes any more. New connections are refused, or nobody answers them."""
        self._dead = True
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        if not refuses:
            # Nobody takes what waits at this one, and two are as many as may wait: the rest is never answered.
            self._listener = self._listening(0)
            for _ in range(2):
                waits = socket.socket()
                waits.setblocking(False)
                waits.connect_ex(("127.0.0.1", self.port))
                self._ghosts.append(waits)

    def mend(self) -> None:
        """All passes again. What a connection held goes on, if both sides still have it; else it is lost.

        Of a connection that the board has given up the broker hears nothing: it must find out by itself.
        """
        self._dead = False
        if self._listener is not None:
            self._listener.close()
        self._listener = self._listening()
        for pair in self._pairs[:]:
            held = pair.read(pair.near)
            if pair.near_over:
                pair.near.close()
                self._ghosts.append(pair.far)
                self._pairs.remove(pair)
            else:
                pair.to_far += held

    def give_up(self) -> None:
        """The broker has heard nothing for too long, and ends its side: it speaks the will."""
        for pair in self._pairs:
            pair.near.close()
            self._ghosts.append(pair.far)
        self._pairs.clear()
        for far in self._ghosts:
            _abort(far)
        self._ghosts.clear()

    def vanish(self) -> None:
        """The board loses its power: nothing closes a connection, the broker sees only silence."""
        for pair in self._pairs:
            _abort(pair.near)
            self._ghosts.append(pair.far)
        self._pairs.clear()

    def carry(self) -> None:
        """Pass on what has come, on both sides."""
        if self._dead:
            return
        while self._listener is not None:
            try:
                near, _ = self._listener.accept()
            except BlockingIOError:
                break
            self.dialled.append(self.now)
            self._pair(near)
        for pair in self._pairs[:]:
            pair.to_far += pair.read(pair.near)
            if not self.hushed and (more := pair.read(pair.far)):
                pair.to_near += more
                self.brought.append((self.now, more))
            pair.write()
            if pair.near_over or pair.far_over:
                _abort(pair.far)
                _abort(pair.near)
                self._pairs.remove(pair)

    def close(self) -> None:
        """Everything about it ends."""
        for pair in self._pairs:
            pair.near.close()
            pair.far.close()
        for sock in [*self._ghosts, *([self._listener] if self._listener else [])]:
            sock.close()

    def _listening(self, backlog: int = 16) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.port))
        listener.listen(backlog)
        listener.setblocking(False)
        return listener

    def _pair(self, near: socket.socket) -> None:
        try:
            far = socket.create_connection(("127.0.0.1", self._broker_port), timeout=STUCK_S)
        except ConnectionError:
            _abort(near)
            return
        self._pairs.append(_Pair(near, far))


class _Pair:
    """One connection: `near` to the board, `far` to the broker."""

    def __init__(self, near: socket.socket, far: socket.socket) -> None:
        self.near, self.far = near, far
        self.to_near = self.to_far = b""
        self.near_over = self.far_over = False
        for sock in (near, far):
            sock.setblocking(False)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self, sock: socket.socket) -> bytes:
        """All that has come on one side."""
        got = b""
        try:
            while more := sock.recv(65536):
                got += more
        except BlockingIOError:
            return got
        except ConnectionError:
            pass
        if sock is self.near:
            self.near_over = True
        else:
            self.far_over = True
        return got

    def write(self) -> None:
        """Pass on as much as fits."""
        try:
            while self.to_far:
                self.to_far = self.to_far[self.far.send(self.to_far) :]
        except BlockingIOError:
            pass
        except ConnectionError:
            self.far_over = True
        try:
            while self.to_near:
                self.to_near = self.to_near[self.near.send(self.to_near) :]
        except BlockingIOError:
            pass
        except ConnectionError:
            self.near_over = True


def _abort(sock: socket.socket) -> None:
    """Close it with a reset: what was not passed on is gone."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    sock.close()
