"""What a message tells of an alarm: no text of it can become an argument, an option or a control character."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from notify_support import GATE, payload

from gatehand.notify.entry import arguments, as_input, entry_of, is_id
from gatehand_rules.findings import WHATS

ODD = (
    "-x",
    "--help.a.b",
    "gate.-rf.fault\n",
    "gate.saw",
    "gate.saw.fault.more",
    "Gate.saw.fault",
    "gate.$(id).fault",
    "gate.saw.fault;id",
    "gate..fault",
    "gate.säge.fault",
    "gate.saw\0.fault",
    "1.2.3",
    "",
    "gate." + "s" * 65 + ".fault",
)


@pytest.mark.parametrize("level", ODD)
def test_what_is_no_id_is_told_and_is_no_argument(level: str) -> None:
    entry = entry_of(level, payload())
    assert entry is not None
    assert not is_id(level)
    assert arguments([entry]) == []
    assert json.loads(as_input([entry.shown()]))[0]["what"] == "fault"


def test_every_alarm_that_the_rules_can_raise_has_an_id() -> None:
    assert all(is_id(f"{kind}.Band-saw_2.{what}") for kind, whats in WHATS.items() for what in whats)


def test_an_alarm_is_read_as_the_daemon_says_it() -> None:
    entry = entry_of(GATE, payload(count=3, rule="travel"))
    assert entry is not None
    assert entry.shown() == {
        "id": GATE,
        "kind": "gate",
        "name": "band_saw",
        "what": "fault",
        "title": "gate band saw fault",
        "state": "raised",
        "since": "2026-03-02T08:00:00.000Z",
        "until": None,
        "because": "It is jammed.",
        "next": "Free it.",
        "count": 3,
    }
    assert not entry.seen
    assert arguments([entry, entry]) == [GATE]


@pytest.mark.parametrize("more", [{"acked_by": "Jo"}, {"acked": "2026-03-02T08:01:00.000Z"}])
def test_an_acknowledged_one_has_been_seen(more: dict[str, str]) -> None:
    entry = entry_of(GATE, payload(**more))
    assert entry is not None
    assert entry.seen


@pytest.mark.parametrize("body", [b"no", b"[1]", b"\xff", b'"a"', b"{" * 9000, b'{"a":"' + b"x" * 65_600 + b'"}'])
def test_what_is_no_json_object_of_64_kb_is_no_alarm(body: bytes) -> None:
    assert entry_of(GATE, body) is None


def test_the_fields_of_an_alarm_may_be_of_any_kind() -> None:
    entry = entry_of(GATE, b'{"since": 5, "because": ["a"], "next": null, "count": 1e400, "acked_by": 7}')
    assert entry is not None
    assert (entry.since, entry.because, entry.next, entry.count, entry.seen) == ("", "", "", 1, False)


ANY = st.text(alphabet=st.characters(codec=None), max_size=80)


@given(ANY, ANY, ANY)
def test_whatever_a_message_holds_the_program_gets_one_printable_line_of_ascii(
    level: str, because: str, who: str
) -> None:
    body = json.dumps({"because": because, "next": who, "name": who, "kind": because}).encode()
    entry = entry_of(level, body)
    assert entry is not None
    given_ = as_input([entry.shown()])
    assert given_.count(b"\n") == 1
    assert given_.isascii()
    [shown] = json.loads(given_)
    assert all(str(value).isprintable() for value in shown.values())
    for word in arguments([entry]):
        assert re.fullmatch(r"[a-z][a-z0-9_]*\.[A-Za-z0-9_-]+\.[a-z][a-z0-9_]*", word)


def test_a_payload_of_64_kb_is_cut_short() -> None:
    entry = entry_of(GATE, payload(because="x" * 60_000))
    assert entry is not None
    assert len(entry.because) == 2000
