"""What is wrong where text is not valid TOML, for people who do not read grammars: the slip, its place, what is right.

`tomllib` says where it no longer understood, which is often behind the slip itself; so the statement is looked at again
from its beginning. On Python 3.11 its errors carry line and column in their text only.
"""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from msgspec import Struct

from gatehand.config import codes
from gatehand.config.codes import Code
from gatehand.config.positions import STRINGS, Positions, Span, Statement
from gatehand.config.problems import KeyPath
from gatehand.text import shown
from gatehand.times import NoDurationError, seconds


class Cut(Struct, frozen=True):
    """The statement that is left out so that the rest can be read."""

    start: int
    end: int
    path: KeyPath = ()
    """What it names, as far as that was understood."""
    is_head: bool = False
    head: str | None = None
    """A table's head as it was surely meant, which takes its place."""


class Slip(Struct, frozen=True):
    """One slip."""

    code: Code
    message: str
    span: Span
    key: KeyPath = ()
    fix: str | None = None
    """What surely belongs there instead."""
    cut: Cut | None = None
    """None: what follows cannot be read."""


class _Stop(Struct, frozen=True):
    """Where `tomllib` stopped, and the statement that it was in."""

    what: str
    """Its own words."""
    text: str
    positions: Positions
    offset: int
    start: int
    """Of the statement."""
    end: int
    """The beginning of the next line that looks like a statement."""
    path: KeyPath

    @property
    def statement(self) -> str:
        return self.text[self.start : self.end]

    @property
    def is_head(self) -> bool:
        return self.text.startswith("[", self.start)

    @property
    def line(self) -> str:
        """The rest of the statement's first line."""
        return self.statement.split("\n", 1)[0]

    def slip(
        self, code: Code, message: str, start: int, end: int, *, fix: str | None = None, head: str | None = None
    ) -> Slip:
        """The slip at these offsets, and the statement to leave out."""
        cut = Cut(self.start, self.end, self.path, self.is_head or head is not None, head)
        return Slip(code, message, self.positions.span(start, end), self.path, fix, cut)


_PLACE: Final = re.compile(
    r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL
)
_KEY: Final = r"(?:[A-Za-z0-9_-]+|\"[^\"\n]*\"|'[^'\n]*')"
_DOTTED: Final = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_STATEMENT: Final = re.compile(
    rf"^[ \t]*(?:\[\[?[ \t]*{_DOTTED}[ \t]*\]\]?[ \t]*(?:#.*)?\r?$|{_DOTTED}[ \t]*=)", re.MULTILINE
)
"""How a line begins that is surely no part of the statement before it."""


def slip_of(said: str, positions: Positions) -> Slip:
    """What `tomllib` said about a text, for people."""
    stop = _stop(said, positions)
    for look in _LOOKS:
        if (slip := look(stop)) is not None:
            return slip
    hint = next((hint for start, hint in _HINTS.items() if stop.what.startswith(start)), "see https://toml.io")
    return stop.slip(codes.NOT_TOML, f"is not valid TOML: {stop.what}; {hint}", *_rest_of_line(stop, stop.offset))


def _stop(said: str, positions: Positions) -> _Stop:
    place, text = _PLACE.match(said), positions.text
    if place and place["line"]:
        offset = positions.lines[int(place["line"]) - 1] + int(place["column"]) - 1
    else:
        digits = _MANY_DIGITS.search(text)  # the one thing that it tells without a place
        offset = digits.start() if digits and not place else len(text)
    doubled = _is_doubled(place["what"] if place else said, positions)
    statement = _statement_at(positions, positions.doubled[0][2].key if doubled else offset)
    line_end = text.find("\n", statement.start)
    following = _STATEMENT.search(text, line_end + 1) if line_end >= 0 else None
    end = following.start() if following else len(text)
    if line_end >= 0 and not _goes_on(text, statement.start, line_end):
        end = line_end + 1
    known = [each.start for each in positions.statements[:-1] if each.start > max(offset, statement.start)]
    if known and text.count("\n", offset, known[0]):
        end = text.rfind("\n", 0, known[0]) + 1
    return _Stop(place["what"] if place else said, text, positions, offset, statement.start, end, statement.path)


def _goes_on(text: str, start: int, line_end: int) -> bool:
    """Whether a statement goes on in the next line: a bracket is open at the end of its first, or a long text."""
    line = text[start:line_end]
    return '"""' in line or "'''" in line or bool(_brackets(text, start, line_end))


def _statement_at(positions: Positions, offset: int) -> Statement:
    """The statement that an offset is in; where several stand in one line, the first of them."""
    found = Statement(0)
    line = -1
    for each in positions.statements:
        if each.start > offset:
            break
        if (its := positions.line_of(each.start)) != line:
            found, line = each, its
    return found


def _rest_of_line(stop: _Stop, start: int) -> tuple[int, int]:
    """From an offset to the end of its line, or of what stands before a comment there."""
    end = stop.text.find("\n", start)
    rest = stop.text[start : end if end >= 0 else len(stop.text)]
    comment = rest.find("#")
    return start, start + len(rest[: comment if comment > 0 else len(rest)].rstrip())


_MANY_DIGITS: Final = re.compile(r"[0-9_]{1000,}")


# Each of these looks for one kind of slip and says nothing where it is another.


def _is_doubled(what: str, positions: Positions) -> bool:
    return bool(positions.doubled) and ("Cannot overwrite" in what or "Cannot declare" in what or "Duplicate" in what)


def _doubled(stop: _Stop) -> Slip | None:
    if not _is_doubled(stop.what, stop.positions):
        return None
    key, first, second = stop.positions.doubled[0]
    line = stop.positions.line_of(first.key) + 1
    text = f"is set a second time; the first stands in line {line}: keep one of the two"
    slip = stop.slip(codes.SET_TWICE, text, second.key, second.key_end)
    return Slip(slip.code, slip.message, slip.span, key, cut=slip.cut)


def _long_number(stop: _Stop) -> Slip | None:
    found = _MANY_DIGITS.match(stop.text, stop.offset)
    if found is None:
        return None
    text = f"found a number of {len(found[0]):,} digits; wanted one of a sensible size"
    return stop.slip(codes.BAD_NUMBER, text, found.start(), found.end())


_CURLY: Final = frozenset("\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019")
"""Typographic quotes, that a text taken from a word processor or a web page brings along."""


def _curly_quote(stop: _Stop) -> Slip | None:
    place = next((at for at in (stop.offset, *_unclosed(stop)) if stop.text[at : at + 1] in _CURLY), None)
    if place is None:
        line = stop.text[slice(*_rest_of_line(stop, stop.start))]
        behind = next((at for at, char in enumerate(line) if char in _CURLY), None)
        place = stop.start + behind if behind is not None and [*_unclosed(stop)] else None
    if place is None:
        return None
    return stop.slip(codes.CURLY_QUOTE, f'{stop.text[place]} is a quote of a word processor: write "', place, place + 1)


def _tokens(text: str, start: int, end: int) -> Iterator[tuple[int, int]]:
    """What stands between two offsets: texts as a whole, comments left out, else letter by letter."""
    at = start
    while at < end:
        if text[at] == "#":
            following = text.find("\n", at)
            at = following if following >= 0 else end
            continue
        quoted = next((pattern.match(text, at) for mark, pattern in STRINGS.items() if text.startswith(mark, at)), None)
        until = quoted.end() if quoted else at + 1
        yield at, until
        at = until


def _unclosed(stop: _Stop) -> Iterator[int]:
    """The first quote of the statement that no other one closes in its line."""
    if stop.is_head or '"""' in stop.statement or "'''" in stop.statement:
        return
    for at, until in _tokens(stop.text, stop.start, stop.end):
        if stop.text[at] in "\"'" and until == at + 1:
            yield at
            return


_LONGEST_TRIED: Final = 500
"""Letters of a line; trying each place in longer ones would take long, and no hand has written them."""
_UNLIKELY: Final = re.compile(r"[,={}\[\]\"'#\s]")
"""What hardly ever stands in a name, a topic or a payload."""


def _quote_missing(stop: _Stop) -> Slip | None:
    """A quote is put in wherever the statement then can be read, and the likeliest text is the one that was meant."""
    at = next(_unclosed(stop), None)
    if at is None:
        return None
    first, last = stop.positions.lines[stop.positions.line_of(at)], _rest_of_line(stop, at)[1]
    best: tuple[int, int, str] | None = None
    tried_too_long = last - first > _LONGEST_TRIED or stop.end - stop.start > 4 * _LONGEST_TRIED
    for place in () if tried_too_long else range(max(first, stop.start), last + 1):
        tried = stop.text[stop.start : place] + stop.text[at] + stop.text[place : stop.end]
        try:
            texts = [*_texts(tomllib.loads(tried))]
        except (ValueError, RecursionError):
            continue
        odd = sum(len(_UNLIKELY.findall(text)) for text in texts)
        if best is None or odd < best[0]:
            best = odd, place, tried
    mark = stop.text[at]
    if best is None:
        return stop.slip(codes.QUOTE_MISSING, f"a quote is missing: a text begins and ends with {mark}", at, last)
    _, place, tried = best
    begins, ends = next(
        (begin, end)
        for begin, end in _tokens(tried, 0, len(tried))
        if end - begin > 1 and place - stop.start in {begin, end - 1}
    )
    which = "opening" if begins == place - stop.start else "closing"
    text = f"the {which} quote is missing: wanted {tried[begins:ends]}"
    return stop.slip(codes.QUOTE_MISSING, text, stop.start + begins, stop.start + ends - 1)


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, each in value.items():
            yield key
            yield from _texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from _texts(each)


_COMMA: Final = re.compile(r",[ \t]*(?P<digits>\d+[ \t]*)?(?:#.*)?\r?$")


def _comma(stop: _Stop) -> Slip | None:
    """A comma after a value, or in a number."""
    found = _COMMA.match(stop.text[slice(stop.offset, _line_end(stop, stop.offset))])
    if found is None or stop.is_head:
        return None
    if found["digits"] and (whole := re.search(r"[-+]?\d+$", stop.text[stop.start : stop.offset])):
        digits = found["digits"].strip()
        text = f"a number is written with a point, as in {whole[0]}.{digits}"
    else:
        text = "take the comma away: commas stand only between the values of a list and the keys in { }"
    return stop.slip(codes.STRAY_COMMA, text, stop.offset, stop.offset + 1)


def _line_end(stop: _Stop, offset: int) -> int:
    end = stop.text.find("\n", offset)
    return end if end >= 0 else len(stop.text)


def _brackets(text: str, start: int, until: int) -> list[int]:
    """The offsets of the brackets that are open there, outermost first."""
    opened: list[int] = []
    for at, _ in _tokens(text, start, until):
        match text[at]:
            case "[" | "{":
                opened.append(at)
            case "]" | "}" if opened:
                opened.pop()
    return opened


def _bracket(stop: _Stop) -> Slip | None:
    """A bracket that nothing closes, a table over several lines, a comma that is missing in a list."""
    if stop.is_head:
        return None
    opened = _brackets(stop.text, stop.start, stop.offset)
    if not opened:
        return None
    at = opened[-1]
    is_table = stop.text[at] == "{"
    more = stop.text[at : stop.offset + 1]
    across = "\n" in more or stop.offset >= len(stop.text)
    closed = at not in _brackets(stop.text, stop.start, stop.end)
    if closed and is_table and (across or more.endswith("#") or more.endswith("\r")):
        text = (
            "a table in { } stands on one line: put it on one, "
            f"or write [{_shown_path(stop.path)}] with a line for each key"
        )
        return stop.slip(codes.TABLE_OVER_LINES, text, at, _rest_of_line(stop, at)[1])
    if closed and is_table and stop.text[stop.offset : stop.offset + 1] == "}":
        before = stop.text.rfind(",", at, stop.offset)
        if before >= 0:
            return stop.slip(
                codes.STRAY_COMMA, "take the comma away: none stands before a closing }", before, before + 1
            )
    if closed and not is_table and stop.what.startswith("Unclosed"):
        return stop.slip(
            codes.NOT_TOML, "a comma is missing: one stands between two values of a list", stop.offset, stop.offset + 1
        )
    if across and not closed:
        bracket = "}" if is_table else "]"
        text = f"the closing bracket is missing: {stop.text[at]} stands here without its {bracket}"
        return stop.slip(codes.BRACKET_MISSING, text, at, _rest_of_line(stop, at)[1])
    return None


def _shown_path(path: KeyPath) -> str:
    return ".".join(map(str, path)) or "tool.NAME.current"


_SWITCHES: Final = {"yes": "true", "no": "false", "on": "true", "off": "false", "true": "true", "false": "false"}
_WITH_UNIT: Final = re.compile(r"([-+]?\d+(?:\.\d+)?)[ \t]*[^\d\W]+\d*")


def _bare_text(stop: _Stop) -> Slip | None:
    """A text, or a duration with its unit, that stands without quotes."""
    if stop.is_head:
        return None
    values = (
        (span.value, path)
        for path, span in stop.positions.spans.items()
        if stop.start <= span.value <= stop.offset and span.value != span.key or isinstance(path[-1], int)
    )
    here = stop.positions.line_of(stop.offset)
    place, path = max(
        ((at, p) for at, p in values if at <= stop.offset and stop.positions.line_of(at) == here), default=(-1, ())
    )
    if place < 0 or stop.text[place : place + 1] in {"", *"\"'[{"}:
        return None
    ends = "#\n,]}" if _brackets(stop.text, stop.start, place) else "#\n"
    end = next((at for at in range(place, len(stop.text)) if stop.text[at] in ends), len(stop.text))
    token = stop.text[place:end].rstrip()
    end = place + len(token)
    if not token:
        return stop.slip(codes.KEY_WITHOUT_VALUE, "the value is missing behind the =", place, place)
    if '"' in token or "'" in token or _is_value(token):
        return None
    begin = f"found {token[:60]} without quotes"
    try:
        seconds(token)
    except NoDurationError:
        pass
    else:
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, f'{begin}; wanted "{token}"', place, end, fix=f'"{token}"')
    if (word := _SWITCHES.get(token.casefold())) is not None:
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, f'{begin}; wanted {word}, or "{token}" for a text', place, end)
    if (number := _WITH_UNIT.fullmatch(token)) is not None:
        text = f"found {token}; a number stands without its unit: wanted {number[1]}, or a text in quotes"
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, text, place, end)
    return stop.slip(codes.TEXT_WITHOUT_QUOTES, f"{begin}; wanted {shown(token)}: text stands in quotes", place, end)


def _is_value(token: str) -> bool:
    try:
        tomllib.loads(f"v = {token}")
    except ValueError:
        return False
    return True


_HEAD_WITHOUT_OPENING: Final = re.compile(rf"(?P<name>{_DOTTED})[ \t]*\](?P<rest>[ \t]*(?:#.*)?\r?)$")
_HEAD_WITHOUT_CLOSING: Final = re.compile(rf"\[[ \t]*(?P<name>{_DOTTED})[ \t]*(?P<rest>(?:#.*)?\r?)$")
_COLON: Final = re.compile(rf"(?P<key>{_DOTTED})(?P<sign>[ \t]*:[ \t]*|[ \t]+)(?P<value>[^\s=#].*?)[ \t]*(?:#.*)?\r?$")
_LONE: Final = re.compile(rf"(?P<key>{_DOTTED})[ \t]*(?:#.*)?\r?$")


def _half_line(stop: _Stop) -> Slip | None:
    """A table's head or a line without one of its signs."""
    if (found := _HEAD_WITHOUT_CLOSING.match(stop.line)) is not None:
        text = f"the closing bracket is missing: wanted [{found['name']}]"
        end = stop.start + found.end("name")
        return stop.slip(codes.BRACKET_MISSING, text, stop.start, end, head=f"[{found['name']}]{found['rest']}")
    if (found := _HEAD_WITHOUT_OPENING.match(stop.line)) is not None:
        text = f"the opening bracket is missing: wanted [{found['name']}]"
        end = stop.start + found.end("name") + 1
        return stop.slip(codes.BRACKET_MISSING, text, stop.start, end, head=f"[{found['name']}]{found['rest']}")
    if not stop.what.startswith("Expected '=' after a key"):
        return None
    if (found := _LONE.match(stop.line)) is not None:
        text = f"the value is missing: wanted {found['key']} = and a value"
        return stop.slip(codes.KEY_WITHOUT_VALUE, text, stop.start, stop.start + found.end("key"))
    if (found := _COLON.match(stop.line)) is not None:
        text = f"key and value have = between them: wanted {found['key']} = {found['value']}"
        return stop.slip(codes.KEY_WITHOUT_VALUE, text, stop.start, stop.start + found.end("value"))
    return None


_LOOKS: Final[tuple[Callable[[_Stop], Slip | None], ...]] = (
    _doubled,
    _long_number,
    _curly_quote,
    _quote_missing,
    _comma,
    _bracket,
    _bare_text,
    _half_line,
)
_HINTS: Final[Mapping[str, str]] = {
    "Invalid value": 'text stands in quotes, as in "main"; yes and no are written true and false',
    "Invalid statement": "a line is a table such as [tool.band_saw] or a key = value; a comment begins with #",
    "Expected '=' after a key": "a line is a table such as [tool.band_saw] or a key = value",
    "Expected newline or end": "one key = value a line; text stands in quotes; a comment begins with #",
    "Expected ']'": "a table's head ends with ], a list of tables' with ]]",
    "Unescaped": "a backslash in \"...\" is written \\\\; or use '...'",
    "Illegal character": "this character cannot stand here",
    "Unterminated string": "the closing quote is missing",
    "Invalid initial character for a key part": "a key has letters, digits, _ and -",
}
