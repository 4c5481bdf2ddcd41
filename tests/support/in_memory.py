"""What a daemon of a test keeps, without a disk: its state file; and a recorder that keeps nothing."""

from collections.abc import Sequence

from gatehand.shell.ports import Kept, Memory, Remembered
from gatehand_rules.events import Event
from gatehand_rules.state import State


class InMemory(Memory):
    """A memory without a disk. `kept` is what the next daemon would find: hand it on, or leave it out, at its start."""

    def __init__(self, kept: Remembered | None = None) -> None:
        self.kept = kept or Remembered()
        self.stalled = False
        """While set, what is given waits: `sync` writes it, `power_cut` forgets it."""
        self.trouble: str | None = None
        """While set, nothing can be written, for this reason."""
        self._recalled = self.kept
        self._waiting: list[tuple[Remembered, Kept]] = []
        ids = (*(hold.id for hold in self.kept.holds), *self.kept.resets)
        self._last_id = max((int(each, 16) for each in ids), default=0)

    def recall(self) -> Remembered:
        """What it was made with."""
        return self._recalled

    def new_id(self) -> str:
        """One after the other, so that a simulation comes out the same each time."""
        self._last_id += 1
        return f"{self._last_id:016x}"

    def keep(self, what: Remembered, kept: Kept) -> None:
        """At once, unless stalled or in trouble."""
        if self.stalled:
            self._waiting.append((what, kept))
        elif self.trouble is not None:
            kept(self.trouble)
        else:
            self.kept = what
            kept(None)

    def sync(self) -> None:
        """What waited is written, and from now on nothing waits."""
        self.stalled = False
        waiting, self._waiting = self._waiting, []
        for what, kept in waiting:
            self.keep(what, kept)

    def power_cut(self) -> None:
        """What waited is lost, and nobody is told."""
        self._waiting.clear()


class NoRecorder:
    """Records nothing."""

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        """Nothing."""

    def clock_stepped(self) -> None:
        """Nothing."""

    def record(self, now_ms: int, event: Event, before: State) -> None:
        """Nothing."""

    def record_suction(self, now_ms: int, collector: str, pascals: float, before: State) -> None:
        """Nothing."""
