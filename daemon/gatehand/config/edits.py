"""What differs between two configs, key by key, in a person's words."""

from collections.abc import Iterator
from typing import Any, Final

from gatehand.config.model import Config
from gatehand.config.problems import KeyPath, dotted

_ABSENT: Final = object()
_NAMED: Final = 2
"""Depth of a table with a name, such as `tool.band_saw`: one that comes or goes is told as a whole."""


def edits(before: Config, after: Config) -> tuple[str, ...]:
    """Each change as "tool.band_saw.run_on: 10 -> 20", "gate.sweep: new" or "gate.sweep: removed"."""
    old, new = (config.model_dump(mode="json", warnings=False) for config in (before, after))
    return tuple(_changes((), old, new))


def _changes(path: KeyPath, old: Any, new: Any) -> Iterator[str]:  # noqa: ANN401 - JSON values
    if old == new:
        return
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys((*old, *new)):
            yield from _changes((*path, key), old.get(key, _ABSENT), new.get(key, _ABSENT))
        return
    where = dotted(path)
    if old is _ABSENT or (old is None and len(path) == _NAMED):
        yield f"{where}: new"
    elif new is _ABSENT or (new is None and len(path) == _NAMED):
        yield f"{where}: removed"
    else:
        yield f"{where}: {_shown(old)} -> {_shown(new)}"


def _shown(value: Any) -> str:  # noqa: ANN401
    match value:
        case None:
            return "none"
        case bool():
            return str(value).lower()
        case int() | float():
            return f"{value:g}"
        case str():
            return f'"{value}"'
        case list():
            return f"[{', '.join(_shown(each) for each in value)}]"
        case dict():
            given = {key: each for key, each in value.items() if each is not None}
            return f"{{ {', '.join(f'{key} = {_shown(each)}' for key, each in given.items())} }}"
        case _:
            return str(value)
