"""Keys that no table knows: what was meant, and the config read on as if it had been written.

So one misspelt key is one mistake: what it holds is still looked at, and nothing that needs it is called missing. Works
on the parsed TOML, before any value is looked at. Names that refer to other tables are the business of `names.py`.
"""

from collections.abc import Iterator
from typing import Any, Final

from msgspec import Struct, field
from pydantic import BaseModel

from gatehand.config import codes
from gatehand.config.problems import Fault, KeyPath, dotted
from gatehand.text import did_you_mean, listed, nearest, only_near, shown

_NAME: Final = "NAME"
_MOST_PLACES: Final = 3


class AsMeant(Struct):
    """A config's tables with the slips put right that could be, and what was put right."""

    tables: dict[str, Any]
    faults: list[Fault] = field(default_factory=list)
    spoilt: set[KeyPath] = field(default_factory=set)
    """What could not be put right and was left out, and what is missing for that reason."""
    strange: set[KeyPath] = field(default_factory=set)
    """Tables with a key of which nobody could say what was meant: what they lack may have been that."""
    _written: dict[KeyPath, KeyPath] = field(default_factory=dict)

    def rename(self, was: KeyPath, meant: KeyPath) -> None:
        """What stood at one path stands at another now, with all that is in it."""
        at = self.written(was)
        moved = {path: to for path, to in self._written.items() if path[: len(was)] == was}
        for path, to in moved.items():
            del self._written[path]
            self._written[*meant, *path[len(was) :]] = to
        self._written[meant] = at

    def join(self, there: dict[str, Any], table: dict[str, Any], was: KeyPath, meant: KeyPath) -> None:
        """What stands in one table stands in another now, beside what that had. `can_join` says whether it may."""
        for key, each in table.items():
            if key in there:
                self.join(there[key], each, (*was, key), (*meant, key))
            else:
                there[key] = each
                self.rename((*was, key), (*meant, key))

    def is_renamed(self, path: KeyPath) -> bool:
        """Whether this very key was written otherwise."""
        return path in self._written

    def written(self, path: KeyPath) -> KeyPath:
        """Where in the file that stands which now is at this path."""
        for length in range(len(path), 0, -1):
            if (at := self._written.get(path[:length])) is not None:
                return (*at, *path[length:])
        return path


def inside(annotation: object) -> tuple[type[BaseModel] | None, bool]:
    """The model in the type of a field, and whether there are many of it, by name or by number."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    many = getattr(annotation, "__origin__", None) in {dict, tuple, list}
    for part in getattr(annotation, "__args__", ()):
        model, more = inside(part)
        if model is not None:
            return model, many or more
    return None, False


def model_at(root: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """The model of the table at a key path; None where there is none."""
    model: type[BaseModel] | None = root
    many = False
    for part in path:
        if many:
            many = False
        elif model is None or str(part) not in model.model_fields:
            return None
        else:
            model, many = inside(model.model_fields[str(part)].annotation)
    return None if many else model


def can_join(one: object, other: object) -> bool:
    """Whether both are tables, and no value of one has the key of a value of the other."""
    if not (isinstance(one, dict) and isinstance(other, dict)):
        return False
    return all(can_join(one[key], other[key]) for key in one.keys() & other.keys())


def about(model: type[BaseModel] | None, key: str) -> str:
    """What a key without default is, in brackets, for a message."""
    each = model.model_fields.get(key) if model is not None else None
    text = (each and each.description) or ""
    return f" ({text[0].lower()}{text[1:].rstrip('.')})" if text else ""


def put_right(tables: dict[str, Any], root: type[BaseModel]) -> AsMeant:
    """The same tables with known keys only. `tables` itself is changed."""
    reader = _Reader(root, AsMeant(tables))
    reader.table(tables, root, ())
    return reader.meant


class _Reader(Struct):
    """One way through all tables, each beside the model that says which keys it has."""

    root: type[BaseModel]
    meant: AsMeant

    def table(self, table: dict[str, Any], model: type[BaseModel], path: KeyPath) -> None:
        known = model.model_fields
        written = dict(table)
        unknown = [key for key in written if key not in known]
        missing = [key for key, each in known.items() if each.is_required() and key not in written]
        # Of one key that is unknown and one that is missing, the first was meant to be the second.
        instead = missing[0] if len(unknown) == len(missing) == 1 else None
        table.clear()
        for key, value in written.items():
            if key in known:
                table[key] = value
            else:
                self.meant.faults.append(self.unknown(key, _Place(path, model, table, written, instead)))
        for key, each in known.items():
            part, many = inside(each.annotation)
            if part is None or key not in table:
                continue
            if many:
                self.many(table[key], part, (*path, key))
            elif isinstance(table[key], dict):
                self.table(table[key], part, (*path, key))

    def many(self, tables: object, model: type[BaseModel], path: KeyPath) -> None:
        """Several tables by name or by number."""
        items: list[tuple[str | int, Any]] = []
        if isinstance(tables, dict):
            own = [key for key in tables if key in model.model_fields]
            if any(not isinstance(tables[key], dict) for key in own):
                text = f"the table needs a name of your choice after a dot, such as [{path[-1]}.main]"
                self.meant.faults.append(Fault(path, codes.BAD_NAME, text, at_key=True))
                self.meant.spoilt.add(path)
                for key in own:
                    del tables[key]
            items = [*tables.items()]
        elif isinstance(tables, list):
            items = [*enumerate(tables)]
        for name, each in items:
            if isinstance(each, dict):
                self.table(each, model, (*path, name))

    def unknown(self, key: str, place: "_Place") -> Fault:
        """The fault of a key that the table does not know; its value goes where it was meant to stand."""
        at, known, value = (*place.path, key), place.model.model_fields, place.written[key]
        near = only_near(key, [each for each in known if place.is_free(each)])
        self.meant.strange.add(place.path)
        lacks = place.lacks_words()
        homes = [] if near is not None or only_near(key, known) is not None or lacks else self.homes(key)
        if homes:
            return Fault(at, codes.KEY_ELSEWHERE, _belongs(key, homes, place.path), at_key=True)
        is_table = not place.path and isinstance(value, dict)
        code = codes.UNKNOWN_TABLE if is_table else codes.UNKNOWN_KEY
        what = f"there is no table [{key}]" if is_table else f"there is no key {shown(key)} here"
        if (meant := near or nearest(key, lacks or known)) is not None:
            if self.put(key, meant, place):
                self.meant.strange.discard(place.path)
                return Fault(at, code, f"{what}; did you mean {meant}?", at_key=True, fix=near)
            return Fault(at, code, f"{what}; did you mean {meant}, which is set already?", at_key=True)
        if wanted := lacks or ([] if place.instead is None else [place.instead]):
            self.meant.spoilt.update((*place.path, each) for each in wanted)
            text = f"{what}; wanted {listed((f'{each}{about(place.model, each)}' for each in wanted), last='and')}"
            return Fault(at, code, text, at_key=True)
        return Fault(at, code, f"{what}; {did_you_mean(key, known)}", at_key=True)

    def put(self, was: str, key: str, place: "_Place") -> bool:
        """Put a value under the key that was meant. False: something stands there already."""
        value, there = place.written[was], place.table.get(key, place.written.get(key))
        at, to = (*place.path, was), (*place.path, key)
        if there is None:
            place.table[key] = value
            self.meant.rename(at, to)
            return True
        _, many = inside(place.model.model_fields[key].annotation)
        if not many or not can_join(there, value):
            return False
        self.meant.join(there, value, at, to)
        return True

    def homes(self, key: str) -> list[tuple[str, ...]]:
        """Every table that has this very key."""
        return [path for path, model in _every_table(self.root) if key in model.model_fields]


class _Place(Struct):
    """The table in which an unknown key was found."""

    path: KeyPath
    model: type[BaseModel]
    table: dict[str, Any]
    """As it was meant, so far."""
    written: dict[str, Any]
    instead: str | None
    """The one key that is missing, where one is unknown and one is missing."""

    def lacks_words(self) -> list[str]:
        """What a signal's table still needs: of a key that it does not know, one of these was meant.

        Its own name may well be tried there (`online = { online = "1" }`), and is a key of another table.
        """
        if "topic" not in self.model.model_fields or "topic" not in self.written:
            return []
        there = self.table.keys() | self.written.keys()
        return [key for key, each in self.model.model_fields.items() if each.is_required() and key not in there]

    def is_free(self, key: str) -> bool:
        """Whether something may be put there: nothing is yet, or there may be many of it."""
        return key not in self.written or inside(self.model.model_fields[key].annotation)[1]


def _every_table(
    model: type[BaseModel], path: tuple[str, ...] = (), *, many: bool = False
) -> Iterator[tuple[tuple[str, ...], type[BaseModel]]]:
    """Every table that a config can have, with NAME for a name."""
    path = (*path, _NAME) if many else path
    yield path, model
    for key, each in model.model_fields.items():
        part, several = inside(each.annotation)
        if part is not None:
            yield from _every_table(part, (*path, key), many=several)


def _belongs(key: str, homes: list[tuple[str, ...]], path: KeyPath) -> str:
    """Where a key belongs that stands in the wrong table: in a part of the same table before another one."""
    within = [at for at in homes if len(at) > len(path) > 0 and all(map(_fits, at, path))]
    if within:
        return f"{key} belongs in the table of a signal, such as {within[0][-1]} = {{ {key} = ... }}"
    if () in homes:
        return f"[{key}] is a table of its own and belongs in no other"
    tables = [*dict.fromkeys(f"[{'.'.join(at[:2])}]" for at in homes)]
    here = f"here it is in [{dotted(path)}]" if path else "here it is above the first table"
    return f"{key} is a key of {listed(tables[:_MOST_PLACES])}; {here}: move it"


def _fits(wanted: str, part: str | int) -> bool:
    return wanted in {_NAME, part}
