"""JSON Pointer after RFC 6901; the table is the RFC's."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand.mqtt.payload import Missing, parse_pointer, resolve, write_pointer

# published: RFC 6901 section 5, the example document and its evaluations.
DOCUMENT = json.loads(r"""
{ "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8 }
""")
EVALUATIONS = [
    ("", DOCUMENT),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "value"), EVALUATIONS)
def test_evaluates_as_the_rfc_says(pointer: str, value: object) -> None:
    assert resolve(DOCUMENT, parse_pointer(pointer)) == value


def test_tilde_zero_one_is_tilde_one_and_not_a_slash() -> None:  # published: RFC 6901 section 4
    assert parse_pointer("/~01") == ("~1",)


@pytest.mark.parametrize("pointer", ["foo", "#/foo", "/m~n", "/a~", "/a~2b"])
def test_what_is_no_pointer_is_refused_with_the_way_to_write_it(pointer: str) -> None:
    with pytest.raises(ValueError, match=r"begins with '/'|must be written '~0'"):
        parse_pointer(pointer)


# published: RFC 6901 section 4: no leading zeros; "-" is the element after the last.
@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/00", "/foo/01", "/foo/-", "/foo/-1", "/foo/x", "/foo/²", "/foo/1e0"]
)
def test_a_list_has_only_its_own_elements(pointer: str) -> None:
    missing = resolve(DOCUMENT, parse_pointer(pointer))
    assert isinstance(missing, Missing)
    assert missing.at == pointer


def test_a_missing_member_is_named_with_what_is_there() -> None:
    missing = resolve({"volt": 230, "amps ": 2}, parse_pointer("/amps"))
    assert missing == Missing("/amps", "there is no 'amps'; there is 'volt', 'amps '")
    assert resolve({"a": 3}, ("a", "b")) == Missing("/a/b", "what comes before it holds no further values")


@given(st.lists(st.text(max_size=5), max_size=6))
def test_writing_and_parsing_are_inverse(tokens: list[str]) -> None:
    assert parse_pointer(write_pointer(tokens)) == tuple(tokens)
