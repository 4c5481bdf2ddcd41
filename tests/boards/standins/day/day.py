"""Hours of one board in a few seconds: commands, words, presses, outages, and its heap at steady intervals.

`micropython day.py SECONDS STRETCH LEAK`: settings.json lies in the working folder; STRETCH: each pause of the loop is
so many times as long; LEAK: 1 plants one. The last line written is JSON.
"""

import gc
import json
import sys

from peer import BROKER
from world import WORLD, sine

WRAP_MS = 1 << 30
SAMPLES = 24


class Every:
    """Something that happens again and again, on the world's clock, whatever the board does."""

    def __init__(self, seconds, what, first=None):
        self._period_us = int(seconds * 1_000_000)
        self.due_us = int((seconds if first is None else first) * 1_000_000)
        self._what = what
        WORLD.timers.append(self)

    def fire(self):
        """It is due."""
        self.due_us += self._period_us
        self._what()


class Day:
    """What happens, and what is counted."""

    def __init__(self, seconds, leak):
        with open("settings.json") as file:
            self.settings = json.load(file)
        self.heap = [0] * SAMPLES
        self.taken = 0
        self.peak = 0
        self.turn = 0
        self._leak = [] if leak else None
        WORLD.tick_ms = WRAP_MS - seconds * 500  # it wraps in the middle
        WORLD.inputs.update({7: 1, 8: 0, 9: 1})
        WORLD.done = _Uncounted()
        Every(seconds / SAMPLES, self._sample)
        Every(7, self._look, 1.9)
        Every(60, self._minute, 30)
        Every(411, self._command, 11)
        Every(20, self._refresh, 21)
        Every(1020, self._break, 300)
        Every(seconds + 1, sys.exit)
        BROKER.retained = tuple((topic, b"1") for topic in self._topics())

    def _topics(self):
        return [self.settings[one]["topic"] for one in ("set",) if one in self.settings]

    def _look(self):
        self.peak = max(self.peak, gc.mem_alloc())

    def _sample(self):
        gc.collect()
        if self.taken < SAMPLES:
            self.heap[self.taken] = gc.mem_alloc()
            self.taken += 1

    def _minute(self):
        if self._leak is not None:
            self._leak.append(WORLD.now_us)  # one word: the smallest entry that there is

    def _refresh(self):
        # Switched on for a quarter of an hour, off for as long.
        if self.settings["role"] == "switch" and WORLD.now_us // 900_000_000 % 2 == 0:
            self._say(b"1")

    def _command(self):
        self.turn += 1
        self._say((b"open", b"?", b"shut", b"nonsense %d" % self.turn, b"x" * 2000)[self.turn % 5])
        WORLD.inputs[8] = self.turn % 3 // 2
        for pin in (7, 9):
            WORLD.inputs[pin] = 0
        Once(1, self._let_go)

    def _let_go(self):
        for pin in (7, 9):
            WORLD.inputs[pin] = 1

    def _say(self, payload):
        for topic in self._topics():
            BROKER.say(topic, payload)

    def _break(self):
        kind = self.turn % 4
        if kind == 0:
            BROKER.runs = False
            BROKER.die()
        elif kind == 1:
            BROKER.mute = True
        elif kind == 2:
            WORLD.wifi = False
        else:
            BROKER.refuses = True
            BROKER.die()
        Once(40, self._mend)

    def _mend(self):
        BROKER.runs, BROKER.mute, BROKER.refuses, WORLD.wifi = True, False, False, True
        BROKER.die()


class Once:
    """Something that happens in a while."""

    def __init__(self, seconds, what):
        self.due_us = WORLD.now_us + int(seconds * 1_000_000)
        self._what = what
        WORLD.timers.append(self)

    def fire(self):
        """It is due."""
        WORLD.timers.remove(self)
        self._what()


class _Uncounted:
    """What the board did is nobody's business here."""

    def append(self, entry):
        """Forget it."""


day = Day(int(sys.argv[1]), sys.argv[3] == "1")
WORLD.stretch = int(sys.argv[2])
WORLD.waves[26] = sine(32768, 8000, 50)
WORLD.alone = True
WORLD.convert_us = 500  # fewer samples: a day is long
gc.collect()
before = gc.mem_alloc()

import board

try:
    board.start()
finally:
    print(
        "@"
        + json.dumps(
            {"before": before, "heap": day.heap, "peak": day.peak, "heard": BROKER.heard, "greeted": BROKER.greeted}
        )
    )
