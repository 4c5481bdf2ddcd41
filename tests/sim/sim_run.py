"""Many days on all processors, and what they came to together."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from multiprocessing import get_context
from os import cpu_count
from time import process_time

from sim_play import Result, play
from sim_script import EVERY_FAULT


@dataclass
class Total:
    """The sum over days."""

    days: int = 0
    seconds: float = 0.0
    cpu: float = 0.0
    events: int = 0
    commands: int = 0
    happened: Counter[str] = field(default_factory=Counter)
    unsafe: Counter[str] = field(default_factory=Counter)
    turning: float = 0.0
    late_acts: list[float] = field(default_factory=list)
    unexplained: list[tuple[str, float, float, str]] = field(default_factory=list)
    broken: list[Result] = field(default_factory=list)

    def add(self, day: Result) -> None:
        """One more."""
        self.days += 1
        self.seconds += day.seconds
        self.cpu += day.cpu
        self.events += day.events
        self.commands += day.commands
        self.happened.update(day.happened)
        for cause, seconds in day.unsafe.items():
            self.unsafe[cause] += seconds  # type: ignore[assignment]
        self.turning += day.turning
        self.late_acts += day.late_acts
        self.unexplained += [(day.seed, *each) for each in day.unexplained]
        if day.breaches:
            self.broken.append(day)

    def __str__(self) -> str:
        """For the terminal."""
        faults = {kind: count for kind, count in sorted(self.happened.items()) if _is_fault(kind)}
        people = {kind: count for kind, count in sorted(self.happened.items()) if not _is_fault(kind)}
        unsafe = sum(self.unsafe.values())
        lines = [
            f"{self.days} shop-days, {self.seconds / 3600:.0f} simulated hours, {self.cpu:.0f} s of processor time",
            f"{self.events} events, {self.commands} commands checked",
            "what people did: " + _list(people),
            f"faults injected, {sum(faults.values())}: " + _list(faults),
            f"fans turned for {self.turning / 3600:.1f} h, {unsafe:.0f} s of it without air, by cause: "
            + _list({cause: round(seconds, 1) for cause, seconds in self.unsafe.most_common()}),
            f"without air and without a cause: {len(self.unexplained)}",
            f"commands that a broker freezing at that very moment delivered late: {len(self.late_acts)}"
            + (f", {max(self.late_acts):.1f} s at most" if self.late_acts else ""),
            f"breaches: {sum(len(day.breaches) for day in self.broken)}",
        ]
        return "\n".join(lines)


def _is_fault(kind: str) -> bool:
    return kind in EVERY_FAULT or kind.startswith("message")


def _list(counts: dict[str, float] | dict[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.items()) or "none"


def seeds(seed: str, days: int, first: int = 0) -> list[str]:
    """The seed of each day."""
    return [f"{seed}.{number}" for number in range(first, first + days)]


def played(wanted: Iterable[str], processes: int | None = None) -> Iterator[Result]:
    """Play the days of these seeds, in any order."""
    count = processes or cpu_count() or 1
    if count == 1:
        yield from map(lean, wanted)
        return
    with get_context("forkserver").Pool(count) as pool:
        yield from pool.imap_unordered(lean, wanted, chunksize=2)


def lean(seed: str) -> Result:
    """A day without its history, to be sent between processes."""
    began = process_time()
    day = play(seed)
    day.cpu = process_time() - began
    day.history, day.told, day.log = [], [], []
    return day
