"""What is due to be told when: each alarm once, the first at once, then at most one run a minute. Pure.

An alarm comes (`came`), outlasts its grace, waits for the next run, and is told by it. What comes meanwhile is
gathered; what a failed run did not get out is told again. An alarm that ends while it waits is still told, as over:
it was there. One that ends before its grace is over is told to nobody, nor is one that somebody has acknowledged
before it was told. An alarm that is raised again has another `since` and is another one. All times are monotonic
seconds.
"""

import math
from collections.abc import Collection
from enum import StrEnum
from typing import Final

from msgspec import Struct

from gatehand.notify.entry import Entry, State

EVERY: Final = 60.0
"""Seconds from the beginning of one run to the next."""
TOGETHER: Final = 1.0
"""Seconds that a run waits for more: what happens in the shop seldom raises one alarm alone."""
LONGEST_WAIT: Final = 3600.0
"""Between two tries of a program that fails, with nothing new to tell: they double up to this."""
TRIES: Final = 20
"""Failed runs after which an alarm is given up: some 14 h, when nothing else comes."""
MOST_A_RUN: Final = 100
"""Alarms told by one run: their ids are arguments, and a message has an end."""
MOST: Final = 1000
"""Alarms kept at once."""


def wait_after(failures: int) -> float:
    """Seconds from the beginning of a failed run to the next with nothing new. `failures`: in a row."""
    doubled = float(2 ** max(0, min(failures - 1, 10)))
    return min(EVERY * doubled, LONGEST_WAIT)


class Stage(StrEnum):
    """How far an alarm is on its way to the owner."""

    WAITING = "waiting"
    """In its grace."""
    DUE = "due"
    """For the next run."""
    TOLD = "told"
    LEFT = "left"
    """Active, and not to be told: somebody has seen it, or it was given up."""


class Item(Struct):
    """One alarm on its way."""

    entry: Entry
    stage: Stage
    due_at: float = -math.inf
    """When its grace is over; of an end: when it came."""
    tries: int = 0
    """Runs that failed to tell it."""
    in_run: State | None = None
    """As what the run that is under way tells it."""


class Kept(Struct, frozen=True):
    """What is remembered of one over a restart."""

    entry: Entry
    stage: Stage
    tries: int = 0


class Telling:
    """Which alarms are told.

    Args:
        ends: tell also that an alarm is over which was told.
        kept: what an earlier process remembered; oldest first.
        last_run: when its last run began.
    """

    def __init__(self, *, ends: bool = False, kept: Collection[Kept] = (), last_run: float = -math.inf) -> None:
        self._ends = ends
        self._queue: list[Item] = []
        self.last_run = last_run
        """When the last run began."""
        self._failures = 0
        self.active: dict[str, Item] = {}
        """What is taken to be active, by id."""
        self.turned_away = 0
        """Alarms that were one too many."""
        for each in kept:
            item = Item(each.entry, each.stage, tries=each.tries)
            if each.stage is Stage.DUE:
                self._queue.append(item)
            if each.entry.state is State.RAISED:
                self.active[each.entry.id] = item

    # What becomes of an alarm

    def came(self, entry: Entry, now: float, after: float, until: str) -> None:
        """It is active. `after`: seconds of its grace; `until`: now, RFC 3339, for the end of an earlier one."""
        item = self.active.get(entry.id)
        if item is not None and item.entry.since != entry.since:
            self.went(entry.id, now, until)
            item = None
        if item is not None:
            item.entry = entry
        elif len(self.active) + len(self._queue) >= MOST:
            self.turned_away += 1
            return
        else:
            item = self.active[entry.id] = Item(entry, Stage.WAITING, now + after)
        if entry.seen and item.in_run is None and item.stage in {Stage.WAITING, Stage.DUE}:
            item.stage = Stage.LEFT
            self._queue = [each for each in self._queue if each is not item]

    def went(self, id_: str, now: float, until: str) -> None:
        """It is over; `until`: now, RFC 3339."""
        item = self.active.pop(id_, None)
        if item is None:
            return
        item.entry = item.entry.over(until)
        if item.stage is Stage.TOLD and self._ends:
            self._queue.append(Item(item.entry, Stage.DUE, now))

    def pass_time(self, now: float, doubted: Collection[str] = ()) -> None:
        """What has outlasted its grace is due; `doubted`: ids of which it is not known yet whether they still are."""
        ripe = [
            each
            for each in self.active.values()
            if each.stage is Stage.WAITING and each.due_at <= now and each.entry.id not in doubted
        ]
        for item in sorted(ripe, key=lambda each: each.due_at):
            item.stage = Stage.DUE
            self._queue.append(item)

    # Runs

    def next_run(self) -> float:
        """When the next run may begin; infinite: there is nothing to tell, or a run is under way."""
        if not self._queue or any(each.in_run is not None for each in self._queue):
            return math.inf
        new = [each.due_at for each in self._queue if each.tries == 0]
        if new:
            return max(self.last_run + EVERY, min(new) + TOGETHER)
        return self.last_run + wait_after(self._failures)

    def wake_at(self, doubted: Collection[str] = ()) -> float:
        """The next moment at which time alone changes something; `doubted` as in `pass_time`."""
        waiting = (
            each.due_at for each in self.active.values() if each.stage is Stage.WAITING and each.entry.id not in doubted
        )
        return min(self.next_run(), min(waiting, default=math.inf))

    def begin(self, now: float) -> tuple[Entry, ...]:
        """A run begins now, and tells these, oldest first."""
        self.last_run = now
        chosen = self._queue[:MOST_A_RUN]
        for item in chosen:
            item.in_run = item.entry.state
        return tuple(item.entry for item in chosen)

    def ended(self, *, well: bool) -> tuple[Entry, ...]:
        """The run has ended. Gives what is given up now: it was tried too often."""
        run = [each for each in self._queue if each.in_run is not None]
        if well:
            self._queue = [each for each in self._queue if each.in_run is None]
            self._failures = 0
            for item in run:
                self._told(item)
            return ()
        self._failures += 1
        for item in run:
            item.in_run = None
            item.tries += 1
            item.stage = Stage.LEFT if item.tries >= TRIES else item.stage
        self._queue = [each for each in self._queue if each.stage is not Stage.LEFT]
        return tuple(item.entry for item in run if item.stage is Stage.LEFT)

    def _told(self, item: Item) -> None:
        told, item.in_run, item.stage = item.in_run, None, Stage.TOLD
        if self._ends and told is State.RAISED and item.entry.state is State.OVER:  # it ended meanwhile
            self._queue.append(Item(item.entry, Stage.DUE))

    # Over a restart

    def kept(self) -> tuple[Kept, ...]:
        """What is to be remembered; what is in its grace is found again."""
        queued = [Kept(each.entry, each.stage, each.tries) for each in self._queue]
        others = (each for each in self.active.values() if each.stage in {Stage.TOLD, Stage.LEFT})
        return (*queued, *(Kept(each.entry, each.stage, each.tries) for each in others))
