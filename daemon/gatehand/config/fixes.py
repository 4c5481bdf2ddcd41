"""`check --fix`: puts right what is certain, and nothing else: a misspelt key or name, a duration without its quotes.

Certain is what a `Problem` has a `fix` for, and what holds when it is tried: the config is checked again in memory
after each, and one that leaves a mistake in its line is taken back. All but the span stays as it is.
"""

from msgspec import Struct

from gatehand.config.load import Loaded, load_text
from gatehand.config.problems import Problem


class Corrected(Struct, frozen=True):
    """What came of it. `loaded` is the corrected text, checked."""

    loaded: Loaded
    fixed: tuple[Problem, ...] = ()


def corrected(loaded: Loaded, *, files: bool = True) -> Corrected:
    """The config with everything put right that is certain; `files` as for `load`."""
    fixed: list[Problem] = []
    tried: set[tuple[int, str]] = set()
    while (chosen := next((each for each in loaded.errors if _can(each, tried)), None)) is not None:
        tried.add((chosen.line, chosen.where))
        after = load_text(with_fix(loaded.text, chosen), loaded.path, files=files)
        if all(each.line != chosen.line for each in after.errors):
            fixed.append(chosen)
            loaded = after
    return Corrected(loaded, tuple(fixed))


def _can(problem: Problem, tried: set[tuple[int, str]]) -> bool:
    return problem.fix is not None and (problem.line, problem.where) not in tried


def with_fix(text: str, problem: Problem) -> str:
    """The text with the problem's fix in its place."""
    lines = text.split("\n")
    line = lines[problem.line - 1]
    lines[problem.line - 1] = f"{line[: problem.column - 1]}{problem.fix or ''}{line[problem.end_column - 1 :]}"
    return "\n".join(lines)
