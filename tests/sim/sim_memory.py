"""What outlives the daemon: its own state file on a disk that stalls and fills, and the broker's store as of a save."""

from math import inf

from sim_time import Clocks
from support.in_memory import InMemory

from gatehand.shell.ports import Kept, Remembered

YOUNG = 0.05
"""Seconds before a daemon's death within which it may not have given a hold to the disk."""


class SimMemory(InMemory):
    """A state file that knows since when it is behind what it was given."""

    def __init__(self, clocks: Clocks, kept: Remembered) -> None:
        super().__init__(kept)
        self._clocks = clocks
        self._behind_since = inf

    def keep(self, what: Remembered, kept: Kept) -> None:
        """See `Memory`."""
        if self.stalled or self.trouble is not None:
            self._behind_since = min(self._behind_since, self._clocks.now - YOUNG)
        else:
            self._behind_since = inf
        super().keep(what, kept)

    @property
    def unwritten_since(self) -> float:
        """A hold from before that is on the disk, if the daemon dies now."""
        return min(self._behind_since, self._clocks.now - YOUNG)
