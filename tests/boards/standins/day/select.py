"""Stands in for MicroPython's `select`, for connections in memory, on the world's clock."""

from world import WORLD

POLLIN = 1
POLLOUT = 4
POLLERR = 8
POLLHUP = 16


class _Poll:
    def __init__(self):
        self._all = {}

    def register(self, one, events=POLLIN | POLLOUT):
        """Wait for it too."""
        self._all[id(one)] = (one, events)

    def modify(self, one, events):
        """Wait for something else of it."""
        self.register(one, events)

    def unregister(self, one):
        """Wait for it no more."""
        self._all.pop(id(one), None)

    def poll(self, milliseconds=-1):
        """What has come, after so long at most."""
        found = self._ready()
        if not found and milliseconds > 0:
            WORLD.wait(milliseconds * 1000)
            found = self._ready()
        return found

    def _ready(self):
        found = []
        for one, events in self._all.values():
            ready = POLLERR if one.refused else 0
            if one.inbox or one.over:
                ready |= events & POLLIN
            if one.linked:
                ready |= events & POLLOUT
            if ready:
                found.append((one, ready))
        return found


def poll():
    """A new one."""
    return _Poll()
