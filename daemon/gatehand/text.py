"""How messages show what was found, count and list, and name what was probably meant. No heavy import."""

import json
from collections.abc import Callable, Iterable
from typing import Final

NAME: Final = "[A-Za-z0-9_-]{1,64}"
"""A name in the config, as a regular expression: fit for one topic level and for an alarm's id."""
_LONGEST: Final = 60


def shown(value: object) -> str:
    """The value as TOML writes it, in one line and cut short."""
    match value:
        case bool():
            text = "true" if value else "false"
        case int():
            text = str(value) if abs(value) < 10**_LONGEST else "a number of many digits"
        case str():
            text = json.dumps(value[: 2 * _LONGEST], ensure_ascii=False)
        case list():
            text = f"a list of {len(value)}"
        case dict():
            text = "a table"
        case _:
            text = str(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def printable(text: str) -> str:
    """The text with what no terminal should get (controls, marks that turn the writing round) as escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def toml_text(text: str) -> str:
    """A text as TOML writes it: a basic string (TOML 1.0, "String"), with escapes for what no terminal should get."""
    return '"' + "".join(map(_in_toml, text)) + '"'


def _in_toml(char: str) -> str:
    if char in {'"', "\\"}:
        return "\\" + char
    if char.isprintable():
        return char
    return f"\\u{ord(char):04x}" if ord(char) < 0x10000 else f"\\U{ord(char):08x}"  # noqa: PLR2004 - four digits


def json_bytes(body: object) -> bytes:
    """JSON for a message. Half a surrogate pair, as a payload may hold, stays readable as an escape."""
    return json.dumps(body, ensure_ascii=False).encode("utf-8", "backslashreplace")


def found(value: object) -> str:
    """The opening of a message about a value."""
    return f"found {shown(value)}"


def distance(one: str, other: str) -> int:
    """How many letters must be put in, left out, replaced or swapped with their neighbour to make one of the other."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for at, letter in enumerate(one):
        before, above, row = row, before, [at + 1]
        for to, its in enumerate(other):
            steps = min(before[to + 1] + 1, row[to] + 1, before[to] + (letter != its))
            if at and to and letter == other[to - 1] and one[at - 1] == its:
                steps = min(steps, above[to - 1] + 1)
            row.append(steps)
    return row[-1]


def only_near(word: str, known: Iterable[str]) -> str | None:
    """The known word that is a single slip away, where there is just one: as good as certain."""
    near = [each for each in known if abs(len(each) - len(word)) <= 1 and distance(word, each) == 1]
    return near[0] if len(near) == 1 else None


_SHORT: Final = 3
"""Letters; in so short a word two slips leave nothing to know it by."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant."""
    import difflib  # only a mistake needs it

    words = list(known)
    if (near := only_near(word, words)) is not None:
        return near
    begun = [each for each in words if len(word) > 1 and each.casefold().startswith(word.casefold())]
    if len(begun) == 1:
        return begun[0]
    folded = word.casefold().replace("-", "_")
    by_folded = {each.casefold().replace("-", "_"): each for each in words}
    slips = 1 if len(word) <= _SHORT else 2
    some = [each for each in by_folded if abs(len(each) - len(folded)) <= slips and distance(folded, each) <= slips]
    close = difflib.get_close_matches(folded, some, n=1, cutoff=0.0) or difflib.get_close_matches(
        folded, by_folded, n=1, cutoff=0.6
    )
    return by_folded[close[0]] if close else None


def did_you_mean(word: str, known: Iterable[str], otherwise: str = "", *, show: Callable[[str], str] = str) -> str:
    """`did you mean band_saw?`, or `otherwise`, or all that there is: how a message about an unknown word ends."""
    words = list(known)
    near = nearest(word, words)
    if near is not None:
        return f"did you mean {show(near)}?"
    if otherwise or not words:
        return otherwise or "there is none"
    return f"there {'is' if len(words) == 1 else 'are'} {listed(map(show, words), last='and')}"


def listed(words: Iterable[str], *, last: str = "or") -> str:
    """`a, b or c`."""
    *most, end = words
    return f"{', '.join(most)} {last} {end}" if most else end


def named(count: int, one: str, many: str = "") -> str:
    """`1 gate`, `3 gates`, `1,200 gates`; `many` where it is not `one` with an s."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def ordinal(number: int) -> str:
    """`1st`, `2nd`, `11th`."""
    tens = 10 <= number % 100 < 20  # noqa: PLR2004
    return f"{number}{'th' if tens else {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th')}"


def as_sentence(words: str) -> str:
    """With its capital and its full stop; a key of the config at its beginning keeps its small letter."""
    is_key = "_" in words.split(" ", 1)[0] or "=" in words[:24]
    capital = words if is_key else words[:1].upper() + words[1:]
    return capital if words.endswith("?") else f"{capital}."
