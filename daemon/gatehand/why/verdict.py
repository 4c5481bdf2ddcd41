"""The answer: one sentence that says what the case was, the lines it rests on, and what would have changed it."""

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final, TypeAlias

from gatehand.journal.line import Line
from gatehand.recording.format import EPOCH

Setting: TypeAlias = float | str

NOTHING: Final = "nothing_in_the_log"


@dataclass(slots=True)
class Verdict:
    """`case`: its id; `sentence`: what happened and by which rule; `next_step`: what to do about it."""

    case: str
    sentence: str
    findings: list[Line] = field(default_factory=list)
    would_have_started: dict[str, Setting] = field(default_factory=dict)
    """Settings, each of which alone would have started it, as a replay has shown."""
    trials: list[str] = field(default_factory=list)
    """The same in sentences, with what it would have cost elsewhere."""
    extra_starts: dict[str, int] = field(default_factory=dict)
    """By setting: starts that the change would have added elsewhere in what was looked at."""
    next_step: str = ""

    @property
    def is_no(self) -> bool:
        """Something that was wanted did not happen."""
        return self.case not in {"started", "already_on", NOTHING}


def at_clock(ms: int) -> str:
    """A local time of day."""
    return (EPOCH + timedelta(milliseconds=ms)).astimezone().strftime("%H:%M:%S")


def amps(value: float) -> str:
    """A current as it is said."""
    return f"{value:.4g} A"
