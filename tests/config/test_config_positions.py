"""The scanner finds every key path that `tomllib` finds, and the place that it names holds that key and that value."""

import datetime as dt
import json
import tomllib
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gatehand.config.positions import DEEPEST, Positions, Span, TooDeepError, scan
from gatehand.config.problems import KeyPath

Tree = dict[str, Any]
# Hypothesis builds its table of characters at the first draw, which takes a second or two.
often = settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# What TOML forbids raw in a comment or a literal string is left out; the writers below escape the rest.
TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"], exclude_characters="'"), max_size=12)
BARE = st.text("abcdefgXYZ0189_-", min_size=1, max_size=6)
COMMENTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=10).map(
    lambda text: f"#{text}"
)
BLANKS = st.text(" \t", max_size=3)
ENDS = st.sampled_from(["\n", "\r\n"])


def basic(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


@st.composite
def long_texts(draw: st.DrawFn) -> str:
    """Multi-line strings, with quotes, line ends and what looks like keys inside."""
    pieces = st.sampled_from(["a", '"', '""', "\n", "\r\n", "[x]", "k = 1", "#", "'", "''", "é"])
    inner = "".join(draw(st.lists(pieces, max_size=8)))
    quote = draw(st.sampled_from(['"', "'"]))
    while quote * 3 in inner:
        inner = inner.replace(quote * 3, quote * 2)
    return f"{quote * 3}{inner}{quote * 3}"


SCALARS = st.one_of(
    st.integers(-(10**12), 10**12).map(str),
    st.sampled_from(["true", "false", "nan", "-inf", "+1.5e-3", "0xDEAD_beef", "1_000", "0o17", "0b101"]),
    st.sampled_from(["1979-05-27", "07:32:00.5", "1979-05-27T07:32:00Z", "1979-05-27 07:32:00-07:00"]),
    TEXTS.map(basic),
    PLAIN.map(lambda text: f"'{text}'"),
    long_texts(),
)


@st.composite
def keys(draw: st.DrawFn, most: int = 3) -> str:
    parts = draw(
        st.lists(st.one_of(BARE, TEXTS.map(basic), PLAIN.map(lambda text: f"'{text}'")), min_size=1, max_size=most)
    )
    return (draw(BLANKS) + "." + draw(BLANKS)).join(parts)


@st.composite
def arrays(draw: st.DrawFn, values: st.SearchStrategy[str]) -> str:
    gap = st.one_of(BLANKS, ENDS, st.builds(lambda comment, end: f" {comment}{end}", COMMENTS, ENDS))
    last_comma = draw(st.booleans())
    items = draw(st.lists(values, max_size=4))
    text = ",".join(draw(gap) + item + draw(gap) for item in items)
    return f"[{text}{',' if items and last_comma else ''}{draw(gap)}]"


@st.composite
def inline_tables(draw: st.DrawFn, values: st.SearchStrategy[str]) -> str:
    pairs = [f"{draw(keys())} = {draw(values)}" for _ in range(draw(st.integers(0, 3)))]
    return "{" + draw(BLANKS) + ", ".join(pairs) + draw(BLANKS) + "}"


VALUES = st.recursive(SCALARS, lambda inner: st.one_of(arrays(inner), inline_tables(inner)), max_leaves=6)


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Texts that are nearly always TOML; those with a doubled key `tomllib` sorts out."""
    lines = []
    for _ in range(draw(st.integers(0, 8))):
        kind = draw(st.sampled_from(["pair", "pair", "pair", "table", "array", "comment", "blank"]))
        match kind:
            case "pair":
                line = f"{draw(keys())}{draw(BLANKS)}={draw(BLANKS)}{draw(VALUES)}"
            case "table":
                line = f"[{draw(BLANKS)}{draw(keys())}{draw(BLANKS)}]"
            case "array":
                line = f"[[{draw(BLANKS)}{draw(keys())}{draw(BLANKS)}]]"
            case "comment":
                line = draw(COMMENTS)
            case _:
                line = ""
        lines.append(draw(BLANKS) + line + draw(BLANKS) + draw(st.one_of(st.just(""), COMMENTS)) + draw(ENDS))
    return "".join(lines)


def walk(tree: object, path: KeyPath = ()) -> dict[KeyPath, object]:
    items: list[tuple[str | int, object]] = []
    if isinstance(tree, dict):
        items = list(tree.items())
    elif isinstance(tree, list):
        items = list(enumerate(tree))
    found: dict[KeyPath, object] = {}
    for key, value in items:
        found[*path, key] = value
        found.update(walk(value, (*path, key)))
    return found


def parsed_key(text: str) -> str:
    """The first key in the text, as tomllib reads it."""
    for end in range(1, len(text) + 1):
        try:
            (key,) = tomllib.loads(text[:end] + " = 1")
        except (tomllib.TOMLDecodeError, ValueError):
            continue
        rest = text[end:].lstrip(" \t")
        if not rest or rest[0] in ".=]":
            return key
    raise AssertionError(f"no key at {text!r}")


def same(left: object, right: object) -> bool:
    return repr(left) == repr(right)


def check_places(text: str, tree: Tree) -> None:
    positions = scan(text)
    wanted = walk(tree)
    assert set(positions.spans) == set(wanted)
    for path, span in positions.spans.items():
        if isinstance(path[-1], str):
            assert parsed_key(text[span.key :]) == path[-1]
        inline = span.value != span.key
        if not isinstance(wanted[path], dict | list) or (inline and not isinstance(wanted[path], dict)):
            assert same(tomllib.loads(f"v = {text[span.value : span.end]}")["v"], wanted[path])


@often
@given(documents())
def test_whatever_tomllib_accepts_the_scanner_places(text: str) -> None:
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        scan(text)
        return
    check_places(text, tree)


@often
@given(st.text(st.sampled_from("ab.=[]{}\"'\\#\n\r, 1"), max_size=60))
def test_no_text_upsets_the_scanner(text: str) -> None:
    positions = scan(text)
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(positions.spans) == set(walk(tree))


def test_enough_of_the_texts_drawn_are_toml() -> None:
    """So that the property above is about something."""
    seen = {"toml": 0, "other": 0}

    @settings(often, max_examples=100)
    @given(documents())
    def count(text: str) -> None:
        try:
            tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            seen["other"] += 1
        else:
            seen["toml"] += 1

    count()
    assert seen["toml"] > seen["other"]


def place(text: str, *path: str | int, at_key: bool = False) -> tuple[int, int]:
    spot = scan(text).of(path, at_key=at_key)
    return spot.line, spot.column


def test_a_value_a_key_and_a_missing_key_each_have_their_place() -> None:
    text = "[tool.saw]\r\n  run_on = 10\r\n"
    assert place(text, "tool", "saw", "run_on") == (2, 12)
    assert place(text, "tool", "saw", "run_on", at_key=True) == (2, 3)
    assert place(text, "tool", "saw", "start_amps") == (1, 7)
    assert place(text, "nothing", "here") == (1, 1)


def test_columns_count_characters_not_bytes() -> None:
    assert place('x = { "ä" = "żółć", b = 1 }', "x", "b") == (1, 25)


def test_a_table_is_placed_at_its_own_head_not_at_a_subtable_before_it() -> None:
    assert place("[a.b]\n[a]\nc = 1\n", "a") == (2, 2)


def test_lists_of_tables_are_counted() -> None:
    text = "[[f]]\na = 1\n[[f]]\n[f.g]\n[[f.h]]\n[[f.h]]\nz = 2\n"
    assert place(text, "f", 0, "a") == (2, 5)
    assert place(text, "f", 1, "g") == (4, 4)
    assert place(text, "f", 1, "h", 1, "z") == (7, 5)


def test_text_in_long_strings_is_no_key() -> None:
    text = "a = \"\"\"\n[b]\nc = 1\n\"\"\"\nd = '''\n]]'''\ne = 1\n"
    assert set(scan(text).spans) == {("a",), ("d",), ("e",)}
    assert place(text, "e") == (7, 5)


def test_quotes_before_the_closing_quotes_belong_to_the_text() -> None:
    text = 'a = """x"""""\nb = \'\'\'y\'\'\'\'\nc = 1\n'
    assert tomllib.loads(text) == {"a": 'x""', "b": "y'", "c": 1}
    assert place(text, "c") == (3, 5)


def test_a_key_set_twice_is_reported_with_both_places() -> None:
    positions = scan("a = 1\nb = 2\na = 3\n")
    ((path, first, second),) = positions.doubled
    places = [positions.span(each.key, each.key_end) for each in (first, second)]
    assert (path, places) == (("a",), [Span(1, 1, 2), Span(3, 1, 2)])


def test_brackets_without_end_are_refused_with_their_place() -> None:
    with pytest.raises(TooDeepError) as caught:
        scan("x = 1\ny = " + "[" * (DEEPEST + 2))
    assert caught.value.offset == 10 + DEEPEST


def test_half_a_file_keeps_what_was_read() -> None:
    positions = scan("[tool.saw]\nrun_on = 10\nstart_amps = = 3\n")
    assert isinstance(positions, Positions)
    assert ("tool", "saw", "run_on") in positions.spans


def test_dates_with_a_blank_are_one_value() -> None:
    text = "a = [1979-05-27 07:32:00, 2]"
    assert tomllib.loads(text)["a"][0] == dt.datetime(1979, 5, 27, 7, 32)  # noqa: DTZ001 -- TOML's local time
    assert place(text, "a", 1) == (1, 27)
