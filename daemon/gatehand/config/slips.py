"""What is wrong where text is not valid TOML, for people who do not read grammars: the slip, its place, what is right.

Each look knows one kind of slip and says nothing where it is another; the first that says something is right.
"""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from gatehand.config import codes
from gatehand.config.positions import Positions
from gatehand.config.problems import KeyPath
from gatehand.config.toml_stop import DOTTED, MANY_DIGITS, OPENING, Slip, Stop, brackets, stop_at, tokens
from gatehand.text import shown
from gatehand.times import NoDurationError, seconds


def slip_of(said: str, positions: Positions) -> Slip:
    """What `tomllib` said about a text, for people."""
    stop = stop_at(said, positions)
    for look in _LOOKS:
        if (slip := look(stop)) is not None:
            return slip
    hint = next((hint for start, hint in _HINTS.items() if stop.what.startswith(start)), "see https://toml.io")
    return stop.slip(codes.NOT_TOML, f"is not valid TOML: {stop.what}; {hint}", *stop.rest_of_line(stop.offset))


def _doubled(stop: Stop) -> Slip | None:
    if not stop.is_doubled:
        return None
    key, first, second = stop.positions.doubled[0]
    line = stop.positions.line_of(first.key) + 1
    text = f"is set a second time; the first is in line {line}: keep one of the two"
    slip = stop.slip(codes.SET_TWICE, text, second.key, second.key_end)
    return Slip(slip.code, slip.message, slip.span, key, cut=slip.cut)


def _long_number(stop: Stop) -> Slip | None:
    found = MANY_DIGITS.match(stop.text, stop.offset)
    if found is None:
        return None
    text = f"found a number of {len(found[0]):,} digits; wanted one of a sensible size"
    return stop.slip(codes.BAD_NUMBER, text, found.start(), found.end())


_CURLY: Final = frozenset("\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019")
"""Typographic quotes, that a text taken from a word processor or a web page brings along."""


def _curly_quote(stop: Stop) -> Slip | None:
    place: int | None = stop.offset
    if stop.text[stop.offset : stop.offset + 1] not in _CURLY:
        line = stop.text[slice(*stop.rest_of_line(stop.start))] if stop.unclosed_quote() is not None else ""
        place = next((stop.start + at for at, char in enumerate(line) if char in _CURLY), None)
    if place is None:
        return None
    return stop.slip(codes.CURLY_QUOTE, f'{stop.text[place]} is a typographic quote: write "', place, place + 1)


_LONGEST_TRIED: Final = 500
"""Letters of a line; trying each place in longer ones would take long, and no hand has written them."""
_UNLIKELY: Final = re.compile(r"[,={}\[\]\"'#\s]")
"""What hardly ever stands in a name, a topic or a payload."""


def _quote_missing(stop: Stop) -> Slip | None:
    """A quote is put in wherever the statement then can be read, and the likeliest text is the one that was meant."""
    at = stop.unclosed_quote()
    if at is None:
        return None
    first, last = stop.positions.lines[stop.positions.line_of(at)], stop.rest_of_line(at)[1]
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
        return stop.slip(codes.QUOTE_MISSING, f"a quote is missing: text begins and ends with {mark}", at, last)
    _, place, tried = best
    begins, ends = next(
        (begin, end)
        for begin, end in tokens(tried, 0, len(tried))
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


def _comma(stop: Stop) -> Slip | None:
    """A comma after a value, or in a number."""
    found = _COMMA.match(stop.text[slice(stop.offset, stop.line_end(stop.offset))])
    if found is None or stop.is_head:
        return None
    if found["digits"] and (whole := re.search(r"[-+]?\d+$", stop.text[stop.start : stop.offset])):
        digits = found["digits"].strip()
        text = f"a number is written with a decimal point, as in {whole[0]}.{digits}"
    else:
        text = "remove the comma: commas go only between the values of a list and the keys in { }"
    return stop.slip(codes.STRAY_COMMA, text, stop.offset, stop.offset + 1)


def _bracket(stop: Stop) -> Slip | None:
    """A bracket without its other half, a table over several lines, a comma that is missing in a list."""
    if stop.is_head:
        return None
    opened = stop.opened
    if not opened:
        return _opening_bracket(stop)
    at = opened[-1]
    is_table, here = stop.text[at] == "{", stop.text[stop.offset : stop.offset + 1]
    at_line_end = here in {"", "\r", "\n", "#"} or "\n" in stop.text[at : stop.offset]
    if at not in brackets(stop.text, stop.start, stop.end):  # something closes it
        if is_table and at_line_end:
            parts = _shown_path(stop.path)
            text = f"a table in {{ }} must be on one line: join the lines, or write [{parts}] with a line for each key"
            return stop.slip(codes.TABLE_OVER_LINES, text, at, stop.rest_of_line(at)[1])
        comma = stop.text.rfind(",", at, stop.offset)
        if here == "}" and comma >= 0:
            return stop.slip(codes.STRAY_COMMA, "remove the comma: none goes before a closing }", comma, comma + 1)
        if stop.what.startswith("Unclosed"):
            between = "keys of a table" if is_table else "values of a list"
            text = f"a comma is missing between two {between}"
            return stop.slip(codes.NOT_TOML, text, stop.offset, stop.offset + 1)
    elif at_line_end or here in OPENING:
        text = f"the closing bracket is missing: {stop.text[at]} here has no {'}' if is_table else ']'}"
        return stop.slip(codes.BRACKET_MISSING, text, at, stop.rest_of_line(at)[1])
    return _opening_bracket(stop)


_ITS_KEY: Final = re.compile(rf"{DOTTED}[ \t]*=[ \t]*")


def _opening_bracket(stop: Stop) -> Slip | None:
    """A bracket that closes what none has opened."""
    end = stop.rest_of_line(stop.start)[1]
    opened: list[str] = []
    for at, _ in tokens(stop.text, stop.start, end):
        here = stop.text[at]
        if here in OPENING.values():
            opened.append(here)
        elif here in OPENING and not (opened and opened.pop() == OPENING[here]):
            break
    else:
        return None
    value = _ITS_KEY.match(stop.line)
    if value is not None and not opened and at == end - 1 and stop.text[stop.start + value.end()] not in "[{":
        text = f"the opening bracket is missing: wanted {OPENING[here]} here, to go with {here} at the end"
        return stop.slip(codes.BRACKET_MISSING, text, stop.start + value.end(), end)
    return stop.slip(codes.BRACKET_MISSING, f"the opening bracket is missing: {here} closes nothing", at, at + 1)


def _shown_path(path: KeyPath) -> str:
    return ".".join(map(str, path)) or "tool.NAME.current"


_SWITCHES: Final = {"yes": "true", "no": "false", "on": "true", "off": "false", "true": "true", "false": "false"}
_WITH_UNIT: Final = re.compile(r"([-+]?\d+(?:\.\d+)?)[ \t]*[^\d\W]+\d*")


def _bare_text(stop: Stop) -> Slip | None:
    """A text, or a duration with its unit, that stands without quotes."""
    if stop.is_head:
        return None
    line = stop.positions.line_of(stop.offset)
    place = max(
        (
            span.value
            for path, span in stop.positions.spans.items()
            if (span.value != span.key or isinstance(path[-1], int))  # no table header
            and stop.start <= span.value <= stop.offset
            and stop.positions.line_of(span.value) == line
        ),
        default=-1,
    )
    if place < 0 or stop.text[place : place + 1] in {"", *"\"'[{"}:
        return None
    ends = "#\n,]}" if brackets(stop.text, stop.start, place) else "#\n"
    end = next((at for at in range(place, len(stop.text)) if stop.text[at] in ends), len(stop.text))
    token = stop.text[place:end].rstrip()
    end = place + len(token)
    if not token:
        return stop.slip(codes.KEY_WITHOUT_VALUE, "the value is missing after the =", place, place)
    if '"' in token or "'" in token or _is_value(token):
        return None
    if "=" in token and not stop.opened:
        return stop.slip(codes.NOT_TOML, "each key has a line of its own", *stop.rest_of_line(stop.offset))
    begin = f"found {token[:60]} without quotes"
    try:
        seconds(token)
    except NoDurationError:
        pass
    else:
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, f'{begin}; wanted "{token}"', place, end, fix=f'"{token}"')
    if (word := _SWITCHES.get(token.casefold())) is not None:
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, f'{begin}; wanted {word}, or "{token}" if it is text', place, end)
    if (number := _WITH_UNIT.fullmatch(token)) is not None:
        text = f"found {token}; a number is written without its unit: wanted {number[1]}, or text in quotes"
        return stop.slip(codes.TEXT_WITHOUT_QUOTES, text, place, end)
    return stop.slip(
        codes.TEXT_WITHOUT_QUOTES, f"{begin}; wanted {shown(token)}: text is written in quotes", place, end
    )


def _is_value(token: str) -> bool:
    try:
        tomllib.loads(f"v = {token}")
    except ValueError:
        return False
    return True


_HEAD_WITHOUTOPENING: Final = re.compile(rf"(?P<name>{DOTTED})[ \t]*\](?P<rest>[ \t]*(?:#.*)?\r?)$")
_HEAD_WITHOUT_CLOSING: Final = re.compile(rf"\[[ \t]*(?P<name>{DOTTED})[ \t]*(?P<rest>(?:#.*)?\r?)$")
_COLON: Final = re.compile(rf"(?P<key>{DOTTED})(?P<sign>[ \t]*:[ \t]*|[ \t]+)(?P<value>[^\s=#].*?)[ \t]*(?:#.*)?\r?$")
_KEY_BEFORE: Final = re.compile(rf"({DOTTED})[ \t]*$")
_LONE: Final = re.compile(rf"(?P<key>{DOTTED})[ \t]*(?:#.*)?\r?$")


def _head(stop: Stop) -> Slip | None:
    """A table header without one of its brackets."""
    if (found := _HEAD_WITHOUT_CLOSING.match(stop.line)) is not None:
        text = f"the closing bracket is missing: wanted [{found['name']}]"
        end = stop.start + found.end("name")
        return stop.slip(codes.BRACKET_MISSING, text, stop.start, end, head=f"[{found['name']}]{found['rest']}")
    if (found := _HEAD_WITHOUTOPENING.match(stop.line)) is not None:
        text = f"the opening bracket is missing: wanted [{found['name']}]"
        end = stop.start + found.end("name") + 1
        return stop.slip(codes.BRACKET_MISSING, text, stop.start, end, head=f"[{found['name']}]{found['rest']}")
    return None


def _half_line(stop: Stop) -> Slip | None:
    """A line without its value, or without the = before it."""
    if not stop.what.startswith("Expected '=' after a key"):
        return None
    if (found := _LONE.match(stop.line)) is not None:
        text = f"the value is missing: wanted {found['key']} = and a value"
        return stop.slip(codes.KEY_WITHOUT_VALUE, text, stop.start, stop.start + found.end("key"))
    within = _KEY_BEFORE.search(stop.text, stop.start, stop.offset)
    if within is not None and stop.opened:
        text = f"the = is missing after {within[1]}"
        return stop.slip(codes.KEY_WITHOUT_VALUE, text, within.start(1), within.end(1))
    if (found := _COLON.match(stop.line)) is not None:
        text = f"key and value need an = between them: wanted {found['key']} = {found['value']}"
        return stop.slip(codes.KEY_WITHOUT_VALUE, text, stop.start, stop.start + found.end("value"))
    return None


_LOOKS: Final[tuple[Callable[[Stop], Slip | None], ...]] = (
    _doubled,
    _long_number,
    _curly_quote,
    _quote_missing,
    _comma,
    _head,
    _bracket,
    _bare_text,
    _half_line,
)
_HINTS: Final[Mapping[str, str]] = {
    "Invalid value": 'text is written in quotes, as in "main"; yes and no are written true and false',
    "Invalid statement": "a line is a table such as [tool.band_saw] or a key = value; a comment begins with #",
    "Expected '=' after a key": "a line is a table such as [tool.band_saw] or a key = value",
    "Expected newline or end": "one key = value a line; text is written in quotes; a comment begins with #",
    "Expected ']'": "a table header ends with ], that of a list of tables with ]]",
    "Unescaped": "a backslash in \"...\" is written \\\\; or use '...'",
    "Illegal character": "this character cannot be here",
    "Unterminated string": "the closing quote is missing",
    "Invalid initial character for a key part": "a key has letters, digits, _ and -",
}
