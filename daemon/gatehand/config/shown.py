"""How messages show what was found and name what was probably meant. Text only."""

import json
from collections.abc import Iterable

_LONGEST = 60


def shown(value: object) -> str:
    """The value as TOML writes it, in one line and cut short."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            text = str(value) if abs(value) < 10**_LONGEST else "a number of many digits"
        case float():
            text = str(value)
        case str():
            text = json.dumps(value[: 2 * _LONGEST], ensure_ascii=False)
        case list():
            return f"a list of {len(value)}"
        case dict():
            return "a table"
        case _:
            text = str(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def found(value: object) -> str:
    """The opening of a message about a value."""
    return f"found {shown(value)}"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant."""
    import difflib  # only a mistake needs it

    words = list(known)
    begun = [each for each in words if len(word) > 1 and each.casefold().startswith(word.casefold())]
    if len(begun) == 1:
        return begun[0]
    by_folded = {each.casefold().replace("-", "_"): each for each in words}
    close = difflib.get_close_matches(word.casefold().replace("-", "_"), by_folded, n=1, cutoff=0.55)
    return by_folded[close[0]] if close else None


def listed(words: Iterable[str], *, last: str = "or") -> str:
    """`a, b or c`."""
    *most, end = words
    return f"{', '.join(most)} {last} {end}" if most else end


def named(count: int, one: str) -> str:
    """`1 gate`, `3 gates`."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"
