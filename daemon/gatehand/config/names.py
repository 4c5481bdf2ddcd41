"""Names that refer to other tables: which of them lead nowhere, and the config read on as if they led where was meant.

So a misspelt gate is one mistake, and not also a gate that nothing opens. Where all others use a name that no table
has, and a table has nearly that name, the table header is at fault. Works on the parsed TOML, before any value is
looked at.
"""

import re
from collections.abc import Container, Iterable, Iterator
from typing import Any, Final

from msgspec import Struct

from gatehand.config import codes
from gatehand.config.keys import AsMeant, can_join
from gatehand.config.problems import Fault, KeyPath, dotted
from gatehand.config.tables import COLLECTOR_MEMBER
from gatehand.text import distance, listed, nearest, only_near, shown
from gatehand_air.fittings import ALIASES, KINDS, kind_of

_NAMED_BY: Final = {
    "gate": (("collector", "collector"),),
    "tool": (("gates", "gate"), ("assist", "gate"), ("collector", "collector")),
    "stop": (("collectors", "collector"),),
    "upkeep": (("collector", "collector"),),
    "circuit": (("members", "member"),),
    "duct": (("into", "duct"), ("collector", "collector"), ("gate", "gate"), ("hood.tool", "tool")),
}
"""For each kind of table its keys that name another, and of which kind. A fan's own name is a collector's, or its own
where it is there to compare with."""
_MEMBER: Final = "member"
"""What hangs on a circuit: a tool by its name, a collector as "collector.NAME"."""
_EVERY: Final = ""
"""In place of a kind: nothing of the file is sure."""
_FAR: Final = 2
"""Slips between a table's name and the one that is used; with more they are two words."""
_KINDS: Final = ("collector", "gate", "tool", "duct")


class _Mention(Struct, frozen=True):
    """A name as it is used somewhere. `path` leads to the text; of a fan, to its table."""

    path: KeyPath
    kind: str
    name: str
    is_key: bool = False


def put_right(meant: AsMeant, unread: Iterable[KeyPath] = ()) -> None:
    """Put the names right that are used, and those in tables' heads; what leads nowhere is left out.

    Args:
        meant: the tables; faults and renamed paths are added to it.
        unread: what the file has and could not be read. Of a kind whose tables are not all known, no name is judged.
    """
    unsure = {str(path[0]) if path else _EVERY for path in (*unread, *meant.spoilt) if len(path) <= 1}
    kinds = [] if _EVERY in unsure else [kind for kind in _KINDS if kind not in unsure]
    for kind in kinds:
        _put_heads_right(meant, kind)
    for mention in [*_mentions(meant.tables)]:
        needed = {"tool", "collector"} if mention.kind == _MEMBER else {mention.kind}
        if needed <= {*kinds}:
            _put_mention_right(meant, mention)


def _tables(tables: dict[str, Any], kind: str) -> dict[str, Any]:
    found = tables.get(kind)
    return found if isinstance(found, dict) else {}


def _mentions(tables: dict[str, Any]) -> Iterator[_Mention]:
    for name in _tables(tables, "fan"):
        yield _Mention(("fan", name), "collector", name, is_key=True)
    for kind, keys in _NAMED_BY.items():
        for name, table in _tables(tables, kind).items():
            for key, names in keys:
                path = (kind, name, *key.split("."))
                here: Any = table
                for part in path[2:]:
                    here = here.get(part) if isinstance(here, dict) else None
                for at, text in [(path, here)] if isinstance(here, str) else _items(path, here):
                    yield _Mention(at, names, text)


def _items(path: KeyPath, value: object) -> Iterator[tuple[KeyPath, str]]:
    for number, each in enumerate(value if isinstance(value, list) else ()):
        if isinstance(each, str):
            yield (*path, number), each


def _put_heads_right(meant: AsMeant, kind: str) -> None:
    """A table that nobody names, while a name that is nearly its own leads nowhere and is the commoner word."""
    tables = _tables(meant.tables, kind)
    used: dict[str, KeyPath] = {}
    lost: list[str] = []
    for mention in _mentions(meant.tables):
        of_kind, name = _plain(mention)
        if of_kind == kind:
            used.setdefault(name, mention.path)
            if (
                name not in tables
                and name not in lost
                and not (mention.kind == "tool" and _is_kind_of_tool(name, [*tables]))
            ):
                lost.append(name)
    for head in [name for name in tables if name not in used]:
        halves = [each for each in tables if _are_halves(kind, tables, head, each)]
        said = nearest(head, lost) if lost else next(iter(halves), None)
        if said is None or distance(head, said) > _FAR or _count(meant.tables, said) <= _count(meant.tables, head):
            continue
        where = (
            f"{dotted(meant.written(used[said]))} names {shown(said)}" if said in used else f"there is {shown(said)}"
        )
        text = f"nothing names {kind} {shown(head)}, and {where}: did you mean [{kind}.{said}]?"
        fix = said if only_near(head, [*lost, *halves]) == said else None
        meant.faults.append(Fault((kind, head), codes.UNKNOWN_NAME, text, at_key=True, fix=fix))
        _rename(meant, kind, head, said)
        lost = [name for name in lost if name != said]


_NEEDED: Final = {
    "tool": ({"current", "power", "running"}, {"gates", "collector"}),
    "collector": ({"command"},),
    "duct": ({"diameter"}, {"length"}),
}
"""By kind of table: one key of each of these is in every table that is whole. A gate may have any."""


def _are_halves(kind: str, tables: dict[str, Any], one: str, other: str) -> bool:
    """Whether two are one table in parts, such as [tool.saw] and [tool.saw.current], one of them misspelt."""
    if distance(one, other) != 1 or not can_join(tables[one], tables[other]):
        return False
    return any(not needed & tables[each].keys() for needed in _NEEDED.get(kind, ()) for each in (one, other))


def _rename(meant: AsMeant, kind: str, was: str, name: str) -> None:
    """In its place, for the order of tables says who comes first."""
    tables = _tables(meant.tables, kind)
    if name in tables:
        meant.join(tables[name], tables.pop(was), (kind, was), (kind, name))
        return
    renamed = {name if each == was else each: table for each, table in tables.items()}
    tables.clear()
    tables.update(renamed)
    meant.rename((kind, was), (kind, name))


def _plain(mention: _Mention) -> tuple[str, str]:
    """The kind and the name of the table that is meant."""
    if mention.kind != _MEMBER:
        return mention.kind, mention.name
    is_collector = mention.name.startswith(COLLECTOR_MEMBER)
    return ("collector" if is_collector else "tool"), mention.name.removeprefix(COLLECTOR_MEMBER)


def _count(value: object, word: str) -> int:
    """How often a word stands among keys and texts, also as a part of longer names and topics."""
    pattern = re.compile(rf"(?<![A-Za-z0-9]){re.escape(word)}(?![A-Za-z0-9])")

    def within(value: object) -> int:
        if isinstance(value, dict):
            return sum(len(pattern.findall(key)) + within(each) for key, each in value.items())
        if isinstance(value, list):
            return sum(map(within, value))
        return len(pattern.findall(value)) if isinstance(value, str) else 0

    return within(value)


def _put_mention_right(meant: AsMeant, mention: _Mention) -> None:
    known = _known(meant.tables, mention.kind)
    if mention.name in known or (mention.kind == "tool" and _is_kind_of_tool(mention.name, known)):
        return
    free = [name for name in known if name not in _beside(meant.tables, mention)]
    # Of several that are near, the one that no other table of this kind names yet.
    alike = {
        each.name for each in _mentions(meant.tables) if each.kind == mention.kind and each.path[0] == mention.path[0]
    }
    near = only_near(mention.name, [name for name in free if name not in alike]) or nearest(mention.name, known)
    if mention.is_key and near not in free:
        return  # a fan to compare with: no collector lacks its own that this may be
    fix = only_near(mention.name, known) if near in free else None
    text = _leads_nowhere(meant.tables, mention, known, near)
    meant.faults.append(Fault(mention.path, codes.UNKNOWN_NAME, text, at_key=mention.is_key, fix=fix))
    if near in free and near is not None:
        if mention.is_key:
            _rename(meant, str(mention.path[0]), mention.name, near)
        else:
            _holder(meant.tables, mention.path)[mention.path[-1]] = near
        return
    path = mention.path[:-1] if isinstance(mention.path[-1], int) else mention.path
    _holder(meant.tables, path).pop(path[-1], None)
    meant.spoilt.add(path)


def _known(tables: dict[str, Any], kind: str) -> list[str]:
    """The names that may be used for this kind."""
    if kind == _MEMBER:
        return [*_tables(tables, "tool"), *(COLLECTOR_MEMBER + name for name in _tables(tables, "collector"))]
    if kind == "tool":  # a hood may name a kind of tool instead
        return [*dict.fromkeys((*_tables(tables, kind), *KINDS, *ALIASES))]
    return [*_tables(tables, kind)]


def _is_kind_of_tool(name: str, tools: list[str]) -> bool:
    """Whether a hood's tool is known by the words in its name; that may also be a tool's name, misspelt."""
    if name in KINDS or name in ALIASES:
        return True
    near = only_near(name, tools)
    numbered = near is not None and _DIGITS.sub("", near) == _DIGITS.sub("", name)  # another one of the same kind
    return kind_of(name) is not None and (near is None or numbered)


_DIGITS: Final = re.compile("[0-9]")


def _holder(tables: dict[str, Any], path: KeyPath) -> Any:  # noqa: ANN401 - a table or a list
    """What the last part of a path stands in; an empty one where that has been left out meanwhile."""
    here: Any = tables
    for part in path[:-1]:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return {}
    return here


def _beside(tables: dict[str, Any], mention: _Mention) -> Container[str]:
    """The names that stand in the same list, or of the same kind of table."""
    if not mention.is_key and not isinstance(mention.path[-1], int):
        return ()
    return tuple(each for each in _holder(tables, mention.path) if isinstance(each, str))


def _leads_nowhere(tables: dict[str, Any], mention: _Mention, known: list[str], near: str | None) -> str:
    name, kind = mention.name, mention.kind
    if kind == _MEMBER and name in _tables(tables, "collector"):
        return f"there is no tool {shown(name)}; for the collector write {shown(COLLECTOR_MEMBER + name)}"
    what = "tool or collector" if kind == _MEMBER else kind
    text = f"there is no {what} {shown(name)}"
    if mention.is_key:
        text += f", and {kind} {shown(near)} has no {mention.path[0]}"
    if not known:
        return f"{text}: add [{kind if kind != _MEMBER else 'tool'}.{name}]"
    if near is not None:
        return f"{text}; did you mean {shown(near)}?"
    there = [shown(each) for each in known if kind != "tool" or each in _tables(tables, kind)]
    return f"{text}; there {'is' if len(there) == 1 else 'are'} {listed(there, last='and') if there else 'none'}"
