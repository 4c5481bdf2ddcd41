"""One thing that happens in a shop-day: drawn before it begins, so that a day can be shortened."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Happening:
    """One thing that happens `at` and, where it lasts, is over `until` (seconds of the day)."""

    at: float
    kind: str
    name: str = ""
    until: float = 0.0
    value: float = 0.0

    def __str__(self) -> str:
        """One line of a history."""
        span = f" .. {self.until:.3f}" if self.until > self.at else ""
        value = f" {self.value:g}" if self.value else ""
        return f"{self.at:10.3f}{span} {self.kind}{' ' + self.name if self.name else ''}{value}"
