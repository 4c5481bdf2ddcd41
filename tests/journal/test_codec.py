"""What the rules remember and are given goes into a recording and comes out the same."""

import json
import math
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct

from gatehand.recording.codec import CodecError, from_json, known, to_json
from gatehand_rules import events, state, words

CLASSES = known(state, events, words)
st.register_type_strategy(float, st.floats(allow_nan=False))


@settings(max_examples=200, deadline=None)
@given(st.from_type(state.State))
def test_any_state_comes_back_equal_through_text(value: state.State) -> None:
    text = json.dumps(to_json(value), allow_nan=False)
    found = from_json(json.loads(text), CLASSES)
    assert found == value
    assert json.dumps(to_json(found)) == text, "1 and 1.0 are told apart, and so are like classes"


@settings(max_examples=200, deadline=None)
@given(st.one_of(*map(st.from_type, get_args(events.Event))))
def test_any_event_comes_back_equal_through_text(value: events.Event) -> None:
    found = from_json(json.loads(json.dumps(to_json(value), allow_nan=False)), CLASSES)
    assert found == value
    assert type(found) is type(value)


def test_nan_comes_back_as_nan() -> None:
    assert math.isnan(from_json(to_json(math.nan), CLASSES))


class Stranger(Struct, frozen=True):
    x: int


def test_a_value_of_another_kind_is_refused_by_name() -> None:
    with pytest.raises(CodecError, match="a list is not carried"):
        to_json([1])
    with pytest.raises(CodecError, match="'Stranger' is not known to this version"):
        from_json(to_json(Stranger(1)), CLASSES)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"Position": "ajar"}', "Position has no 'ajar'"),
        (
            '{"GateOpening": {"since": 1.0, "first": 1.0, "speed": 3}}',
            "GateOpening has no field 'speed' in this version",
        ),
        ('{"GateOpening": {"since": 1.0}}', "GateOpening lacks its field 'first'"),
        ('{"GateOpening": 7}', "GateOpening wants its fields"),
        ('{"a": 1, "b": 2}', "one class name is wanted"),
    ],
)
def test_what_this_version_does_not_know_is_named(text: str, says: str) -> None:
    with pytest.raises(CodecError, match=says):
        from_json(json.loads(text), CLASSES)


def test_a_field_that_an_older_version_did_not_write_takes_its_default() -> None:
    assert from_json({"GateOpening": {"since": 1.0, "first": 2.0}}, CLASSES) == state.GateOpening(1.0, 2.0)
