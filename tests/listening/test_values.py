"""The values of a payload: those that the daemon's own reader would read, each where its JSON pointer says."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand.listening.values import DEEPEST, MOST_VALUES, Found, Odd, as_word, values
from gatehand.mqtt.payload import MAX_BYTES, Reader, Rejected, UnknownWord

RFC_6901 = """{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\\\j": 5, "k\\"l": 6, " ": 7,
"m~n": 8}"""


def test_the_example_of_rfc_6901_section_5_gives_its_pointers() -> None:
    found = {one.pointer: one.value for one in values(RFC_6901.encode()).found}
    assert found == {
        "/foo/0": "bar",
        "/foo/1": "baz",
        "/": 0,
        "/a~1b": 1,
        "/c%d": 2,
        "/e^f": 3,
        "/g|h": 4,
        "/i\\j": 5,
        '/k"l': 6,
        "/ ": 7,
        "/m~0n": 8,
    }


@pytest.mark.parametrize(
    ("payload", "pointer", "value"),
    [
        (b"6.4", None, 6.4),
        (b" -1e3\n", None, -1000.0),
        (b"ON", None, "ON"),
        (b" OFF\r\n", None, "OFF"),
        (b"true", None, "true"),
        (b'"ON"', "", "ON"),
        (b'{"on": true}', "/on", "true"),
        (b'{"amps": "6.4"}', "/amps", "6.4"),  # the daemon takes no number out of quotes
        (b'{"a": null}', "/a", Odd.EMPTY),
        (b'{"a": NaN}', "/a", Odd.UNREADABLE),
        (b'{"a": 1e999}', "/a", Odd.UNREADABLE),
        (b'{"a": 1' + b"0" * 400 + b"}", "/a", Odd.UNREADABLE),
        (b"nan", None, Odd.UNREADABLE),
        (b"-inf", None, Odd.UNREADABLE),
        (b"1e999", None, Odd.UNREADABLE),
        (b"", None, Odd.EMPTY),
        (b"  ", None, Odd.EMPTY),
        (b"{}", None, Odd.EMPTY),
        (b"\xff\xfe\x00", None, Odd.BINARY),
        (b"x" * (MAX_BYTES + 1), None, Odd.HUGE),
        (b"[" * 5000, None, Odd.UNREADABLE),
        (b"[" * 5000 + b"]" * 5000, None, Odd.UNREADABLE),
        (b'{"a": 1', None, Odd.UNREADABLE),
    ],
)
def test_what_one_payload_is(payload: bytes, pointer: str | None, value: float | str) -> None:
    assert values(payload).found == [Found(pointer, value)]


def test_json_is_looked_into_to_a_bound() -> None:
    found, left_out = values(json.dumps({f"k{at}": at for at in range(1000)}).encode())
    assert len(found) == MOST_VALUES
    assert left_out > MOST_VALUES
    deep = json.dumps({"a": 1, "b": json.loads("[" * DEEPEST + "2" + "]" * DEEPEST)})
    assert values(deep.encode()) == ([Found("/a", 1.0)], 1)
    assert values(json.dumps({"n" * 5000: 1, "a": 2}).encode()) == ([Found("/a", 2.0)], 1)


PAYLOADS = st.one_of(
    st.binary(max_size=40),
    st.recursive(
        st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12)),
        lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)),
        max_leaves=12,
    ).map(lambda one: json.dumps(one).encode()),
)


@given(PAYLOADS)
def test_the_daemon_reads_the_same_where_the_pointer_says(payload: bytes) -> None:
    for pointer, value in values(payload).found:
        if isinstance(value, Odd) or "\\" in (pointer or "") or (isinstance(value, str) and "\\" in value):
            continue
        reader = Reader(pointer)
        if isinstance(value, str):
            assert reader.read_word(payload, {value: True}) is True
        else:
            assert reader.read_number(payload, float("inf")) == value
            assert reader.read_word(payload, {as_word(value): True}) is True
        assert not isinstance(reader.read_word(payload, {}), Rejected)
        assert isinstance(reader.read_word(payload, {}), UnknownWord)
