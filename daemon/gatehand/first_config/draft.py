"""The config in the making: its tables in order, each with its comments, and those in which something is missing.

A table that is not finished stands in the file as a comment that says what is missing, so that `check` passes.
"""

from collections.abc import Iterator, Sequence
from typing import Final, TypeAlias

from msgspec import Struct, field

from gatehand.first_config.boards import COMMENT, Board, tables
from gatehand.first_config.questions import SignalAnswer
from gatehand.listening.roles import source, table_name
from gatehand.text import listed, named, toml_text
from gatehand.times import written

Value: TypeAlias = str | int | float | bool | list[str] | dict[str, str] | SignalAnswer
_COLUMN: Final = 40
_WIDEST: Final = 118
_LATEST: Final = 72


class Line(Struct):
    """One key. `comment`: what was seen, or what it means."""

    key: str
    value: Value
    comment: str = ""

    @property
    def text(self) -> str:
        """As the file has it."""
        return f"{self.key} = {toml(self.value)}"


class Table(Struct):
    """One table of the config."""

    kind: str
    name: str = ""
    lines: list[Line] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    """What must still be found before it can be used."""
    notes: list[str] = field(default_factory=list)
    """Said above it."""
    misses_first: str = ""
    """The key of a sensor that says nothing before its tool's first cut after each start of the daemon."""

    def add(self, key: str, value: Value | None, comment: str = "") -> None:
        """One more key; None: it has none."""
        if value is not None:
            self.lines.append(Line(key, value, comment))

    def lacks(self, what: str) -> None:
        """Something could not be found."""
        self.missing.append(what)

    def get(self, key: str) -> Value | None:
        """The value of a key."""
        return next((line.value for line in self.lines if line.key == key), None)


class Device(Struct, frozen=True):
    """One device in the making. `the`: as it is spoken of, "gate band saw"."""

    table: Table
    the: str

    @property
    def key(self) -> str:
        """Its questions begin with it."""
        return f"{self.table.kind}.{self.table.name}"

    def add_board(self, board: Board, *but: str) -> None:
        """What a board of our own says and hears, without these keys: each is to be asked about, or comes later."""
        for kind, _, lines in tables(board):
            if kind != self.table.kind:
                continue
            for number, (key, value) in enumerate(lines.items()):
                if key not in but:
                    self.table.add(key, value, COMMENT if number == 0 else "")

    @property
    def taken(self) -> frozenset[tuple[str, str | None]]:
        """What it uses already."""
        values = (line.value for line in self.table.lines)
        return frozenset((each.topic, each.pointer) for each in values if isinstance(each, SignalAnswer))


class Draft(Struct):
    """All of it."""

    tables: list[Table] = field(default_factory=list)

    def table(self, kind: str, name: str = "") -> Table:
        """A new table at the end."""
        made = Table(kind, name)
        self.tables.append(made)
        return made

    def of(self, kind: str) -> list[Table]:
        """All tables of a kind."""
        return [table for table in self.tables if table.kind == kind]

    def settle(self) -> None:
        """Let what depends on an unfinished table be unfinished too, and say why."""
        gone = {table.name for table in self.of("collector") if table.missing}
        for gate in self.of("gate"):
            if (home := gate.get("collector")) in gone:
                gate.lacks(f"its collector {home} is not finished")
        shut_out = {table.name for table in self.of("gate") if table.missing}
        for tool in self.of("tool"):
            wanted = tool.get("gates")
            lacking = [each for each in wanted if each in shut_out] if isinstance(wanted, list) else []
            if lacking:
                tool.lacks(f"its gate {listed(lacking, last='and')} is not finished")
            if (home := tool.get("collector")) in gone:
                tool.lacks(f"its collector {home} is not finished")
        for stop in self.of("stop"):
            chosen = stop.get("collectors")
            if isinstance(chosen, list) and set(chosen) <= gone:
                stop.lacks("its collectors are not finished")
        used = {
            name
            for tool in self.of("tool")
            if not tool.missing and isinstance(gates := tool.get("gates"), list)
            for name in gates
        }
        for gate in self.of("gate"):
            by_hand = gate.get("command") is None and gate.get("state") is not None
            if not gate.missing and gate.name not in used and gate.get("button") is None and not by_hand:
                gate.lacks("nothing would ever open it: name it in the gates of a tool, or give it a button")

    def text(self, opening: Sequence[str] = ()) -> str:
        """The file."""
        parts = ["\n".join(f"# {line}".rstrip() for line in opening)] if opening else []
        parts += ["\n".join(_table(table)) for table in self.tables]
        return "\n\n".join(parts) + "\n"

    @property
    def first_cuts(self) -> list[str]:
        """Sensors whose tools miss the first cut after each start of the daemon: "tool.saw current"."""
        return [
            f"{one.kind}.{one.name} {one.misses_first}" for one in self.tables if one.misses_first and not one.missing
        ]

    @property
    def unfinished(self) -> list[str]:
        """What is missing, as sentences."""
        return [f"{table.kind}.{table.name}: {why}" for table in self.tables for why in table.missing]


def toml(value: Value) -> str:
    """A value as TOML writes it."""
    match value:
        case SignalAnswer(topic=topic, pointer=pointer, words=words, scale=scale, at=at, poll=poll):
            written = source(topic, pointer, scale, **words).removesuffix(" }")
            if at is not None:
                written += f", at = {toml_text(at)}"
            if poll is not None:
                written += f", poll = {{ topic = {toml_text(poll[0])}, payload = {toml_text(poll[1])} }}"
            return f"{written} }}"
        case bool():
            return "true" if value else "false"
        case str():
            return toml_text(value)
        case dict():
            return f"{{ {', '.join(f'{key} = {toml_text(each)}' for key, each in value.items())} }}"
        case list():
            return f"[{', '.join(map(toml_text, value))}]"
        case _:
            return f"{value:.12g}"


def board_lines(board: Board) -> Iterator[str]:
    """A board's tables as the config writes them. What only its owner knows is not there."""
    for kind, name, lines in tables(board):
        table = Table(kind, table_name(name))
        for key, value in lines.items():
            if key == "contact" and isinstance(value, SignalAnswer):
                add_stop(table, value)
            else:
                table.add(key, value)
        yield from _table(table)


def add_stop(table: Table, contact: SignalAnswer, comment: str = "") -> None:
    """A stop contact, whose table is the signal itself."""
    table.add("topic", contact.topic, comment)
    table.add("pointer", contact.pointer)
    for key, word in contact.words.items():
        table.add(key, word)
    if contact.poll is not None:
        table.add("poll", dict(zip(("topic", "payload"), contact.poll, strict=True)))


def duration(value: float) -> Value:
    """Seconds as a number; what is longer than a minute as text."""
    return written(value) if value > 60 else value  # noqa: PLR2004 - what reads well


def _table(table: Table) -> Iterator[str]:
    header = f"[{table.kind}.{table.name}]" if table.name else f"[{table.kind}]"
    body = [*_comments(table.notes), header, *(text for line in table.lines for text in _line(line))]
    if not table.missing:
        yield from body
        return
    what = named(len(table.missing), "thing is", "things are")
    yield f"# NOT FINISHED: {what} missing. Remove the # once it is there, then run gatehand check."
    yield from (f"#   - {why}" for why in table.missing)
    yield from (f"# {text}" for text in body)


def _line(line: Line) -> Iterator[str]:
    """The key, with its comment behind it, or above it where there is no room."""
    text = line.text
    if not line.comment:
        yield text
    elif len(text) <= _LATEST and max(len(text) + 2, _COLUMN) + 2 + len(line.comment) <= _WIDEST:
        yield f"{text:<{_COLUMN}}# {line.comment}" if len(text) < _COLUMN else f"{text}  # {line.comment}"
    else:
        yield from _comments([line.comment])
        yield text


def _comments(texts: Sequence[str]) -> Iterator[str]:
    import textwrap

    for text in texts:
        yield from textwrap.wrap(text, _WIDEST - 2, initial_indent="# ", subsequent_indent="# ", break_long_words=False)
