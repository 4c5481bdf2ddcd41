"""What the stand-ins for a board's hardware act on: pins, converters, the Wi-Fi, and the clock.

Runs in MicroPython and in CPython. Alone, it is a world in memory, whose clock goes only when it is told to, or when
the board waits. In a board's own process (`lead`) a test leads it: it sets what the pins read, is told of all that the
board does, and grants the time in which the board may do it. No clock of the computer is read in either.
"""

import json
import sys


class World:
    """One board's surroundings."""

    def __init__(self):
        self.now_us = 0
        """Microseconds since power-up, not wrapped; with a clock of its own, `clock` is asked instead."""
        self.clock = None
        self.tick_ms = 0
        """What the tick of milliseconds said at power-up."""
        self.inputs = {}
        """Pin -> 0 or 1. A pin that is not named is pulled up: 1."""
        self.waves = {}
        """Pin of a converter -> function of microseconds that gives 0 to 65535."""
        self.convert_us = 100
        """What one turn of a loop that reads a converter takes on a board of its own [from memory: 40 to 150]."""
        self.look_us = 2
        """What reading the tick takes [from memory: one to five]: a loop that only looks gets on too."""
        self.wifi = True
        self.cause = 1
        """What `machine.reset_cause()` says."""
        self.done = []
        """All that the board did: (milliseconds, what, pin, value)."""
        self.outputs = {}
        self.timers = []
        self.watchdog = None
        self.tell = None
        """With a test in another process: is called with each of `done`."""
        self.pump = None
        """Is called before each reading of a pin, where somebody wants to set it only then."""
        self.granted_us = 0
        self.led = False
        """A test in another process leads."""
        self.alone = False
        """The board has a process of its own: looking takes time."""
        self.stretch = 1
        """Alone, each pause of the board is so many times as long: days pass sooner."""
        self._quiet_us = 0
        """Until then nothing is due, and the clock may simply go on."""
        self._firing = False

    def us(self):
        """Microseconds since power-up."""
        return self.now_us if self.clock is None else self.clock()

    def act(self, what, pin, value):
        """The board does something."""
        if self.outputs.get((what, pin)) == value:
            return
        self.outputs[(what, pin)] = value
        self.note(what, pin, value)

    def note(self, what, pin, value):
        """Something happens on the board, maybe once more."""
        entry = (self.us() // 1000, what, pin, value)
        if self.tell is None:
            self.done.append(entry)
        else:
            self.tell(entry)

    def armed(self, timer, milliseconds):
        """A timer is armed, also where it was already; 0: it is disarmed. Told to a test that leads, as `armed`."""
        self._quiet_us = 0
        if self.led:
            self.note("armed", timer, milliseconds)

    def look(self, microseconds=0):
        """The board is about to read something; on a board of its own that takes a while."""
        if self.pump is not None:
            self.pump()
        if not self.alone:
            return
        if self.now_us + microseconds < self._quiet_us:
            self.now_us += microseconds
            return
        self.go(microseconds)
        while self.led and self.now_us >= self.granted_us:
            self._ask()
        self._quiet_us = self.granted_us if self.led else self.now_us + 1_000_000
        for one in self.timers:
            if one.due_us is not None:
                self._quiet_us = min(self._quiet_us, one.due_us)

    def wait(self, microseconds):
        """The board waits. Led, it comes back before that where the grant ends, so that the caller may look around."""
        if not self.led:
            self.go(microseconds * self.stretch)
            return
        if self.now_us >= self.granted_us:
            self._ask()
        self.go(max(0, min(microseconds, self.granted_us - self.now_us)))

    def go(self, microseconds):
        """Let so much of the clock in memory pass; timers and watchdog come due on their way."""
        end = self.now_us + microseconds
        while not self._firing:
            first = None
            for one in self.timers:
                if one.due_us is not None and one.due_us <= end and (first is None or one.due_us < first.due_us):
                    first = one
            if first is None:
                break
            self.now_us = max(self.now_us, first.due_us)
            self._firing = True
            try:
                first.fire()
            finally:
                self._firing = False
        self.now_us = max(self.now_us, end)

    def lead(self):
        """From now on a test leads, over standard input and output: lines that begin with @ are ours."""
        self.led = self.alone = True
        self.tell = _told
        self._ask()

    def reset(self, why):
        """Nothing of the program runs any more, also no `finally`: the test begins a new process."""
        self.note("reset", 0, why)
        if self.led:
            self._halt()

    def _halt(self):
        while True:
            self._ask()

    def _hang(self):
        """The loop gets no further; timers and watchdog do."""
        while True:
            self.go(max(0, self.granted_us - self.now_us))
            self._ask()

    def _ask(self):
        """All that was granted has passed: say so, and do what the test says until it grants more."""
        print("@.")
        while True:
            line = sys.stdin.readline()
            if not line:
                sys.exit()
            word, _, rest = line.strip().partition(" ")
            if word == "go":
                # From the end of the last grant: a look that took a little longer is no time won.
                self.granted_us += int(rest)
                return
            if word == "hang":
                self._hang()
            self._set(word, rest.split())

    def _set(self, word, rest):
        if word == "pin":
            self.inputs[int(rest[0])] = int(rest[1])
        elif word == "wave":
            self.waves[int(rest[0])] = sine(int(rest[1]), int(rest[2]), int(rest[3]))
        elif word == "convert":
            self.convert_us = int(rest[0])
        elif word == "wifi":
            self.wifi = rest[0] == "1"
        elif word == "tick":
            self.tick_ms = int(rest[0])
        elif word == "look":
            self.look_us = int(rest[0])
        elif word == "cause":
            self.cause = int(rest[0])


def _told(entry):
    print("@" + json.dumps(entry))


def sine(middle, peak, hertz):
    """What a converter reads of a sine, in its steps."""
    import math

    # One cycle, worked out once: a board that samples reads it ten thousand times a second.
    cycle = [int(middle + peak * math.sin(2 * math.pi * step / 256)) for step in range(256)]
    return lambda us: cycle[us * hertz * 256 // 1_000_000 % 256]


WORLD = World()


def fresh():
    """A world in which nothing has happened; for the next test in this process."""
    WORLD.__init__()
    return WORLD
