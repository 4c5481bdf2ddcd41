"""What the stand-ins for a board's hardware act on: pins, converters, the Wi-Fi, and the clock.

Runs in MicroPython and in CPython. Alone, it is a world in memory, whose clock goes only when it is told to. With
`connect`, a test in another process sets what the pins read, and is told of all that the board does.
"""

import json


class World:
    """One board's surroundings."""

    def __init__(self):
        self.now_us = 0
        """Microseconds since power-up, not wrapped; with a clock of its own, `clock` is asked instead."""
        self.clock = None
        self.inputs = {}
        """Pin -> 0 or 1. A pin that is not named is pulled up: 1."""
        self.waves = {}
        """Pin of a converter -> function of microseconds that gives 0 to 65535."""
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
        """With a test in another process: takes in what it has set."""

    def us(self):
        """Microseconds since power-up."""
        return self.now_us if self.clock is None else self.clock()

    def act(self, what, pin, value):
        """The board does something."""
        if self.outputs.get((what, pin)) == value:
            return
        self.outputs[(what, pin)] = value
        entry = (self.us() // 1000, what, pin, value)
        if self.tell is None:
            self.done.append(entry)
        else:
            self.tell(entry)

    def look(self):
        """The board is about to read something."""
        if self.pump is not None:
            self.pump()

    def go(self, microseconds):
        """Let so much of the clock in memory pass; timers and watchdog come due on their way."""
        end = self.now_us + microseconds
        while True:
            due = [one for one in self.timers if one.due_us is not None and one.due_us <= end]
            if not due:
                break
            first = min(due, key=lambda one: one.due_us)
            self.now_us = max(self.now_us, first.due_us)
            first.fire()
        self.now_us = end


WORLD = World()


def fresh():
    """A world in which nothing has happened; for the next test in this process."""
    WORLD.__init__()
    return WORLD
