"""Stands in for MicroPython's `select`: real sockets are waited for, but on the world's clock."""

import uselect
from world import WORLD

POLLIN = uselect.POLLIN
POLLOUT = uselect.POLLOUT
POLLERR = uselect.POLLERR
POLLHUP = uselect.POLLHUP


class _Poll:
    def __init__(self):
        self._real = uselect.poll()

    def register(self, one, events=POLLIN | POLLOUT):
        """Wait for it too."""
        self._real.register(one, events)

    def modify(self, one, events):
        """Wait for something else of it."""
        self._real.modify(one, events)

    def unregister(self, one):
        """Wait for it no more."""
        self._real.unregister(one)

    def poll(self, milliseconds=-1):
        """What has come, after so long at most."""
        end = WORLD.us() + milliseconds * 1000
        while True:
            found = self._real.poll(0)
            if found or (milliseconds >= 0 and WORLD.us() >= end):
                return found
            WORLD.wait(end - WORLD.us() if milliseconds >= 0 else 1_000_000)

    def ipoll(self, milliseconds=-1):
        """The same."""
        return iter(self.poll(milliseconds))


def poll():
    """A new one."""
    return _Poll()
