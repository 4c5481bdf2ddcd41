"""Faults planted into copies of the boards' programs: what the outages and the day have to notice."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

from support.micropython import BOARDS


class Fault(NamedTuple):
    """One of them: of which role, and what of its program is replaced by what."""

    role: str
    changes: tuple[tuple[str, str], ...]

    def program(self) -> dict[str, str]:
        """The changed program by its role.

        Raises:
            LookupError: the program as it ships no longer has what is to be replaced.
        """
        text = (BOARDS / f"{self.role}.py").read_text()
        for old, new in self.changes:
            if text.count(old) != 1:
                raise LookupError(f"{self.role}.py has {text.count(old)} times {old!r}; wanted once")
            text = text.replace(old, new)
        return {self.role: text}


FAULTS: Final = {
    "a switch that ignores its limit": Fault(
        "switch",
        ((">= self._limit_ms:", ">= 1000 * self._limit_ms:"), ("now + self._limit_ms", "now + 1000 * self._limit_ms")),
    ),
    "a switch whose retained word counts": Fault("switch", (("        if retained:", "        if False:"),)),
    "a gate that is open at once": Fault(
        "gate", (("            return goal if goal in (seen, self._by_time) else MOVING", "            return goal"),)
    ),
    "a gate whose pulses never end": Fault(
        "gate", (("            if now >= self._ends_at:", "            if False:"),)
    ),
    "a sensor that sends what it had": Fault(
        "sensor",
        (
            ("        self.clamp.tick(now, link, self.say)", "        self.clamp.tick(now, link, self.kept)"),
            (
                "    def greet(self, _now: int) -> None:",
                (
                    "    last = None\n\n    def kept(self, *what, **how):\n        self.last = (what, how)\n"
                    "        return self.say(*what, **how)\n\n    def greet(self, _now: int) -> None:\n"
                    "        if self.last:\n            self.say(*self.last[0], **self.last[1])"
                ),
            ),
        ),
    ),
    "a contact that is inverted": Fault(
        "contact", (("self._input.closed == self._active", "self._input.closed != self._active"),)
    ),
}
"""What it is like, and the fault."""

BY_THE_DAY: Final = ("a switch that ignores its limit", "a gate that is open at once", "a contact that is inverted")
"""These the day has to notice by itself; old readings and kept words need outages of every kind."""


def unnoticed_by_the_day(folder: Path, say: Callable[[str], object]) -> int:
    """Live the boards' day once with each of these faults, and say which of its tests notice; how often none does."""
    import test_boards_day

    tests: dict[str, Callable[[dict[str, Any]], None]] = {
        name: each for name, each in vars(test_boards_day).items() if name.startswith("test_")
    }
    missed = 0
    for turn, name in enumerate(BY_THE_DAY):
        (folder / str(turn)).mkdir()
        found = test_boards_day.lived(folder / str(turn), FAULTS[name].program())
        noticed = [each for each, test in tests.items() if _fails(test, found)]
        say(f"{name}: {', '.join(noticed) or 'NOBODY NOTICES'}")
        missed += not noticed
    return missed


def _fails(test: Callable[[dict[str, Any]], None], found: dict[str, Any]) -> bool:
    try:
        test(found)
    except (AssertionError, LookupError, TypeError):  # None, where it never came
        return True
    return False
