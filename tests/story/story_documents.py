"""The documents that show screens, and how a made screen gets into one.

A mark, `<!-- screen: NAME -->`, stands on the line above a fenced block: what is between the fences is the screen of
that name (`story_screens.py`), and nobody's to type.
"""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
DOCUMENTS: Final = (
    "README.md",
    "deploy/README.md",
    "deploy/network.md",
    "deploy/notify.md",
    "deploy/page.md",
    "deploy/boards/README.md",
)
LEFT_OUT: Final = "[...]"
_MARKED: Final = re.compile(
    r"^<!-- screen: (?P<name>[a-z-]+) -->\n(?P<open>```[a-z]*)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL
)
_FENCED: Final = re.compile(r"^(?P<open>```(?P<kind>[a-z]*))\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)
_CALLED: Final = re.compile(r"(?:^|\s|/)gatehand (?!gatehand )(?P<words>[a-z]+(?: [^|>#&;]*)?)(?=$|[|>#&;])")
_SPOKEN: Final = re.compile(r"`(gatehand [a-z][^`]*)`")


class ShorteningError(Exception):
    """A screen has no line that its shortening looks for: give it another one."""


def part(text: str, *kept: tuple[str, str]) -> str:
    """A long screen with its first line and some parts of it; where something is left out, a line says so.

    Args:
        text: the screen.
        kept: of each part, in their order: how its first line begins, and how the line begins before which it ends.
            Empty: the very first, the very end.

    Raises:
        ShorteningError: no such line.
    """
    lines = text.splitlines()
    chosen, at = [lines[0]], 1
    for first, before in kept:
        begin = _line(lines, at, first) if first else at
        end = _line(lines, begin + 1, before) if before else len(lines)
        if begin > at:
            chosen.append(LEFT_OUT)
        at = end
        while not lines[end - 1].strip():
            end -= 1
        chosen += lines[begin:end]
    if at < len(lines):
        chosen.append(LEFT_OUT)
    return "\n".join(chosen) + "\n"


def _line(lines: list[str], start: int, begins: str) -> int:
    for at in range(start, len(lines)):
        if lines[at].strip().startswith(begins):
            return at
    raise ShorteningError(f"no line begins with {begins!r} below line {start} of:\n" + "\n".join(lines))


def with_screens(document: str, screens: Mapping[str, str]) -> str:
    """The document with every marked block as the screen of its name is now."""
    return _MARKED.sub(
        lambda found: f"<!-- screen: {found['name']} -->\n{found['open']}\n{screens[found['name']]}```", document
    )


def screens_of(document: str) -> dict[str, str]:
    """What it shows now, by name."""
    return {found["name"]: found["text"] for found in _MARKED.finditer(document)}


def marks(document: str) -> list[str]:
    """The names of its screens, in order."""
    return list(screens_of(document))


def unmarked(document: str) -> list[str]:
    """Blocks that show a command with its prompt, and so what comes of it, and have no mark."""
    rest = _MARKED.sub("", document)
    return [found["text"] for found in _FENCED.finditer(rest) if re.search(r"^\$ ", found["text"], re.MULTILINE)]


def typed_commands(document: str) -> Iterator[str]:
    """The commands of its shell blocks that call `gatehand`, without what stands before and behind them."""
    for found in _FENCED.finditer(document):
        if found["kind"] == "sh":
            for line in re.sub(r"\\\n\s*", " ", found["text"]).splitlines():
                if (called := _CALLED.search(line)) is not None:
                    yield f"gatehand {called['words'].strip()}"


def spoken_commands(document: str) -> Iterator[str]:
    """Commands that its sentences name: `gatehand why band_saw`."""
    for found in _SPOKEN.finditer(_FENCED.sub("", document)):
        yield " ".join(found[1].split())


def links(document: str) -> Iterator[tuple[str, str]]:
    """Where it points within the project: file (empty: itself) and heading (empty: none)."""
    for found in re.finditer(r"\]\((?!https?:)([^)#\s]*)#?([^)\s]*)\)", _FENCED.sub("", document)):
        yield found[1], found[2]


def headings(document: str) -> set[str]:
    """By the names that links have for them: small letters, hyphens for blanks, no other marks."""
    found = re.findall(r"^#+ (.+)$", _FENCED.sub("", document), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in found}
