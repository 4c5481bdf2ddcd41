"""A question at the terminal: what is asked, which answers it offers, and which of them a typed line is. No waiting."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from gatehand.text import shown

ENTER: Final = ""
YES: Final = "yes"
NO: Final = "no"
SKIP: Final = "skip"
QUIT: Final = "quit"
_FORMS: Final = {
    ENTER: frozenset({""}),
    YES: frozenset({"y", "yes"}),
    NO: frozenset({"n", "no"}),
    SKIP: frozenset({"s", "skip"}),
    QUIT: frozenset({"q", "quit", "end", "exit"}),
}
"""In which forms each answer is taken, whatever their letters' case."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked. Quit can always be answered.

    Args:
        text: the question, without the answers; "type yes" in it where Enter says nothing.
        enter: what Enter says, such as "when it runs"; empty: it says nothing here, and yes has to be typed.
        no: what no says, such as "it does not move"; empty: it is not offered.
        skip: whether it may be left out.
    """

    text: str
    enter: str = ""
    no: str = ""
    skip: bool = True

    def _offers(self) -> Iterator[tuple[str, str]]:
        """Each answer, and how it is shown."""
        yield (ENTER, f"Enter {self.enter}") if self.enter else (YES, YES)
        if self.no:
            yield NO, NO if self.no == NO else f"no: {self.no}"
        if self.skip:
            yield SKIP, SKIP
        yield QUIT, QUIT

    @property
    def answers(self) -> str:
        """`Enter when it runs; skip; quit`."""
        return "; ".join(words for _, words in self._offers())

    @property
    def asked(self) -> str:
        """The question with its answers, as it is put; that yes is to be typed it says itself."""
        return f"{self.text} ({self.answers.removeprefix(f'{YES}; ')})"

    def again(self, line: str) -> str:
        """What is said to a line that is none of its answers."""
        return f"{shown(line.strip())} is not an answer here ({self.answers})"

    def understood(self, line: str) -> str | None:
        """Which answer the line is; None: none that is offered. Yes is Enter where Enter tells that something is so."""
        word = " ".join(line.split()).lower()
        found = next((answer for answer, forms in _FORMS.items() if word in forms), None)
        if found == YES and self.enter and not self.enter.startswith("if "):
            return ENTER
        return found if found in dict(self._offers()) else None
