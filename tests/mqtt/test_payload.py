"""Payloads: a value or a clear rejection, whatever the bytes."""

import json
from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatehand.mqtt.payload import MAX_BYTES, Payload, Reader, Rejected, UnknownWord, excerpt

PLAIN = Reader()
AMPS = Reader("/amps")
SWITCH = {"1": "on", "0": "off"}


def why(result: object) -> str:
    assert isinstance(result, Rejected), result
    return result.why


@pytest.mark.parametrize(
    ("payload", "amps"),
    [
        (b"4.25", 4.25),
        (b"-0.3", -0.3),
        (b" 7 \r\n", 7.0),
        (b"+.5", 0.5),
        (b"2.", 2.0),
        (b"1e2", 100.0),
        (b"1000", 1000.0),
    ],
)
def test_a_plain_number_is_read(payload: bytes, amps: float) -> None:
    assert PLAIN.read_number(payload) == amps


@pytest.mark.parametrize(
    "payload",
    [
        *(b"nan", b"NaN", b"inf", b"-Infinity", b"1_0", b"0x10", b"true", b"null", b"4,2", b"4.2 A", b"--1", b"1\x002"),
        *("٣".encode(), b"\xef\xbb\xbf1", b'"4.2"'),  # digits of another script, a byte order mark, quotes
    ],
)
def test_text_that_is_no_number_is_rejected(payload: bytes) -> None:
    assert why(PLAIN.read_number(payload)) == "found text that is not a number, want a number such as 4.2"


@pytest.mark.parametrize("payload", [b"1000.1", b"-1000.1", b"1" * 5000, b"1e999", b"-1e999"])
def test_an_absurd_number_is_rejected(payload: bytes) -> None:
    assert "want a number within 1,000 either way" in why(PLAIN.read_number(payload))
    assert "want a number within 1,000 either way" in why(
        Reader("").read_number(payload.replace(b"1" * 5000, b"1" * 500))
    )


def test_an_object_without_a_pointer_asks_for_one() -> None:
    assert "say with `pointer` where in it the number is" in why(PLAIN.read_number(b'{"amps": 2}'))


def test_the_pointer_finds_the_number_and_scale_and_limit_apply() -> None:
    milliamps = Reader("/channels/1/ma", scale=0.001)
    payload = b'{"channels": [{"ma": 1}, {"ma": -2500}]}'
    assert milliamps.read_number(payload) == -2.5
    assert why(milliamps.read_number(payload, limit=2.0)) == "found -2.5, want a number within 2 either way"
    assert Reader(scale=0.0).read_number(b"1e999") != 0  # infinity times zero is not a number


@pytest.mark.parametrize(
    ("payload", "found"),
    [
        (b'{"amps": true}', "found true at /amps where a number is wanted"),
        (b'{"amps": null}', "found null at /amps where a number is wanted (its device does not know it)"),
        (b'{"amps": "4.2"}', "found the text '4.2' at /amps where a number is wanted"),
        (b'{"amps": "\\ud800"}', "found the text '\\\\ud800' at /amps where a number is wanted"),
        (b'{"amps": {}}', "found an object at /amps where a number is wanted"),
        (b'{"amps": [4]}', "found a list at /amps where a number is wanted"),
        (b'{"amps": NaN}', "found a number that is not finite, want a number within 1,000 either way"),
        (b'{"amps": 1e999}', "found a number that is not finite, want a number within 1,000 either way"),
        (b'{"amps": ' + b"9" * 400 + b"}", "found a number that is not finite, want a number within 1,000 either way"),
        (b'{"amps": ' + b"9" * 5000 + b"}", "found a number of thousands of digits, want JSON with ordinary numbers"),
        (b'{"volt": 1}', "nothing at /amps: there is no 'amps'; there is 'volt'"),
        (b"[" * 60_000, "found JSON nested too deeply, want a plain object or value"),
        (b'{"a":' * 10_000, "found JSON nested too deeply, want a plain object or value"),
        (b'{"amps": 1_0}', "found no JSON (expecting ',' delimiter at character 10), want JSON"),
        (b"", "found no JSON (expecting value at character 0), want JSON"),
        (b'{"amps": 1}\xff', "found bytes that are not UTF-8 (from byte 11), want UTF-8 text"),
        (b'{"amps": "\xed\xa0\x80"}', "found bytes that are not UTF-8 (from byte 10), want UTF-8 text"),
    ],
)
def test_each_bad_document_says_what_was_found_and_what_is_wanted(payload: bytes, found: str) -> None:
    assert why(AMPS.read_number(payload)) == found


def test_twenty_megabytes_are_rejected_unread() -> None:
    huge = b'{"amps": 1, "x": "' + b"x" * 20_000_000 + b'"}'
    for result in (AMPS.read_number(huge), PLAIN.read_number(b"1" * 20_000_000), AMPS.read_word(huge, SWITCH)):
        assert why(result) == "found more than 65,536 bytes, want a short payload; it was not read"
    assert PLAIN.read_number(b" " * (MAX_BYTES - 1) + b"4") == 4.0


@pytest.mark.parametrize(
    ("reader", "payload", "meaning"),
    [
        (PLAIN, b"1", "on"),
        (PLAIN, b" 0\n", "off"),
        (PLAIN, b"1.0", "on"),
        (Reader("/s"), b'{"s": 1}', "on"),
        (Reader("/s"), b'{"s": 1.0}', "on"),
        (Reader("/s"), b'{"s": "1"}', "on"),
        (Reader(""), b"0", "off"),
        (Reader(""), b'"1"', "on"),
    ],
)
def test_numbers_match_their_text(reader: Reader, payload: bytes, meaning: str) -> None:
    assert reader.read_word(payload, SWITCH) == meaning


def test_booleans_match_their_text_and_are_no_numbers() -> None:
    assert Reader("/s").read_word(b'{"s": true}', {"true": "on", "false": "off"}) == "on"
    assert Reader("/s").read_word(b'{"s": true}', SWITCH) == UnknownWord("true")


def test_a_word_that_is_none_of_those_wanted_is_told_apart_from_no_word() -> None:
    assert PLAIN.read_word(b"half", SWITCH) == UnknownWord("half")
    assert PLAIN.read_word(b"On", {"on": 1}) == UnknownWord("On")
    assert why(PLAIN.read_word(b"", SWITCH)) == "found an empty payload, want a word"
    assert PLAIN.read_word(b"", {"": "clear"}) == "clear"
    unknown = Reader("/s").read_word(b'{"s": null}', SWITCH)
    assert why(unknown) == "found null at /s where a word is wanted (its device does not know it)"
    assert "not UTF-8" in why(PLAIN.read_word(b"\xff", SWITCH))


def test_one_message_is_parsed_once_for_many_readers(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[str] = []
    real = json.loads

    def counted(text: str) -> object:
        calls.append(text)
        return real(text)

    monkeypatch.setattr(json, "loads", counted)
    payload = Payload(b'{"a": 1, "b": 2, "s": "1"}')
    assert Reader("/a").read_number(payload) == 1
    assert Reader("/b").read_number(payload) == 2
    assert Reader("/s").read_word(payload, SWITCH) == "on"
    assert len(calls) == 1


@pytest.mark.parametrize("text", ["", "\\ud800", "2026-02-30T09:30:00Z", "2026-05-04T09:30:00", "2026-05-04T09:30Z"])
def test_a_text_that_is_no_date_and_time_with_an_offset_is_rejected(text: str) -> None:
    assert "want a number of seconds or milliseconds, or text such as" in why(
        Reader("/t").read_moment(f'{{"t": "{text}"}}'.encode())
    )


def test_an_excerpt_is_short_printable_and_says_the_length() -> None:
    assert excerpt(b"a\x00\x1b[31m\xff\n") == "a\\x00\\x1b[31m\\xff\\n"
    assert excerpt(b"x" * 100) == "x" * 48 + "... (100 bytes)"


def test_a_reader_refuses_a_bad_pointer_or_scale() -> None:
    with pytest.raises(ValueError, match="begins with '/'"):
        Reader("amps")
    with pytest.raises(ValueError, match="scale must be a finite number"):
        Reader(scale=float("nan"))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["amps", "s", "x"]), inner, max_size=3),
    max_leaves=8,
).map(lambda value: json.dumps(value).encode())
NUMBERISH = st.text("0123456789+-._eE nainfNI", max_size=12).map(str.encode)
PAYLOADS = st.binary(max_size=60) | JSON | NUMBERISH | st.tuples(JSON, st.binary(max_size=3)).map(b"".join)


@settings(max_examples=400)
@given(PAYLOADS, st.sampled_from([None, "", "/amps", "/amps/0", "/x/amps"]), st.floats(-1e6, 1e6))
def test_any_bytes_give_a_finite_number_in_range_or_a_rejection(
    payload: bytes, pointer: str | None, scale: float
) -> None:
    result = Reader(pointer, scale).read_number(payload)
    if isinstance(result, Rejected):
        assert result.why
        assert result.shown.isprintable()
    else:
        assert isfinite(result)
        assert abs(result) <= 1000


@settings(max_examples=400)
@given(PAYLOADS, st.sampled_from([None, "", "/s", "/x/s"]))
def test_any_bytes_give_a_wanted_word_an_unknown_one_or_a_rejection(payload: bytes, pointer: str | None) -> None:
    result = Reader(pointer).read_word(payload, SWITCH)
    assert isinstance(result, Rejected | UnknownWord) or result in {"on", "off"}
    if isinstance(result, UnknownWord):
        result.text.encode()
