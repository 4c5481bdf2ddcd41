"""The contact's program: what a stop contact, a running contact and a button say, and what they never say."""

import json
from collections.abc import Sequence
from itertools import cycle, pairwise
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from role_bench import TURN_MS, Bench, Step, in_micropython, module

WrongSettings = module("board").WrongSettings
SETTLED = module("inputs").SETTLE_MS + TURN_MS
"""Milliseconds from a contact's last bounce to its word, at most."""
CLOSED, OPENED = 0, 1

STOP = {
    "kind": "closed",
    "name": "emergency",
    "topic": "shop/estop",
    "active": "1",
    "clear": "0",
    "poll": {"topic": "shop/estop/ask", "payload": "?"},
}
SANDER = {"kind": "open", "name": "drum_sander", "topic": "shop/sander/run", "active": "on", "clear": "off"}
RESET = {"kind": "button", "name": "main", "topic": "shop/reset", "pressed": "1", "released": "0"}
PINS = {"emergency": 4, "drum_sander": 5, "main": 6}


def settings(*inputs: dict[str, Any], pins: dict[str, Any] | None = None) -> dict[str, Any]:
    return {
        "role": "contact",
        "name": "door",
        "inputs": list(inputs),
        "hardware": {"pins": PINS if pins is None else pins},
    }


def board(*inputs: dict[str, Any], closed: Sequence[int] = ()) -> Bench:
    """Switched on with these pins closed, and connected."""
    bench = Bench("contact", settings(*inputs), lambda world: world.inputs.update(dict.fromkeys(closed, CLOSED)))
    bench.go(500)
    bench.connect()
    return bench


def test_a_closed_stop_contact_is_clear_and_an_open_one_or_a_broken_wire_active() -> None:
    bench = board(STOP, closed=[4])
    assert bench.words("shop/estop") == ["0"]
    bench.pin(4, OPENED)
    bench.go(SETTLED)
    assert bench.words("shop/estop") == ["0", "1"]
    bench.pin(4, CLOSED)
    bench.go(SETTLED)
    assert bench.words("shop/estop") == ["0", "1", "0"]
    assert all(said.retain and said.qos == 1 for said in bench.said)


def test_a_stop_contact_that_is_not_wired_says_active_from_the_first_connection_on() -> None:
    assert board(STOP).words("shop/estop") == ["1"]


def test_a_running_contact_is_active_while_it_is_closed() -> None:
    bench = board(SANDER)
    bench.pin(5, CLOSED)
    bench.go(SETTLED)
    assert bench.words("shop/sander/run") == ["off", "on"]


def test_nothing_is_said_before_the_contacts_have_settled() -> None:
    bench = Bench("contact", settings(STOP), lambda world: world.inputs.update({4: CLOSED}))
    bench.connect()
    bench.go(20)
    assert bench.said == []
    bench.go(30)
    assert bench.words("shop/estop") == ["0"]


def test_each_connection_hears_how_things_are_now_and_nothing_of_what_was_between() -> None:
    bench = board(STOP, SANDER, closed=[4])
    bench.lose()
    for level in (OPENED, CLOSED, OPENED):
        bench.pin(4, level)
        bench.go(300)
    since = bench.ms
    bench.connect()
    bench.go(1000)
    assert bench.words("shop/estop", since) == ["1"]
    assert bench.words("shop/sander/run", since) == ["off"]


def test_who_asks_is_answered_live_and_a_question_that_the_broker_had_kept_is_not() -> None:
    bench = board(STOP, SANDER, closed=[4])
    bench.hear("shop/estop/ask", "?")
    assert bench.words("shop/estop") == ["0", "0"]
    bench.hear("shop/estop/ask", "?", retained=True)
    bench.hear("shop/estop/ask", "else")
    assert bench.words("shop/estop") == ["0", "0"]
    assert bench.words("shop/sander/run") == ["off"]


def test_two_states_asked_on_one_topic_both_answer_each_to_its_own_word() -> None:
    one = {**STOP, "poll": {"topic": "shop/ask", "payload": "all"}}
    two = {**SANDER, "poll": {"topic": "shop/ask", "payload": "all"}}
    three = {**STOP, "name": "smoke", "topic": "shop/smoke", "poll": {"topic": "shop/ask", "payload": "smoke"}}
    bench = Bench("contact", settings(one, two, three, pins={**PINS, "smoke": 7}))
    bench.go(500)
    bench.connect()
    since = len(bench.said)
    bench.hear("shop/ask", "all")
    assert [said.topic for said in bench.said[since:]] == ["shop/estop", "shop/sander/run"]
    bench.hear("shop/ask", "smoke")
    assert bench.said[-1].topic == "shop/smoke"


def test_a_press_is_one_pressed_and_one_released_never_retained() -> None:
    bench = board(RESET)
    bench.pin(6, CLOSED)
    bench.go(400)
    bench.pin(6, OPENED)
    bench.go(400)
    assert [(said.payload, said.retain, said.qos) for said in bench.said] == [("1", False, 1), ("0", False, 1)]
    # A reset counts by how long it was held down: both words are as late as each other.
    assert bench.said[1].ms - bench.said[0].ms == 400


def test_a_hand_button_without_a_word_for_its_release_says_its_press_alone() -> None:
    bench = board({key: value for key, value in RESET.items() if key != "released"})
    for level in (CLOSED, OPENED, CLOSED, OPENED):
        bench.pin(6, level)
        bench.go(300)
    assert bench.words("shop/reset") == ["1", "1"]


def test_a_button_held_for_over_ten_seconds_says_stuck_and_no_release() -> None:
    bench = board(RESET)
    bench.pin(6, CLOSED)
    bench.go(31_000)
    bench.pin(6, OPENED)
    bench.go(1000)
    assert bench.words("shop/reset") == ["1", "stuck", "stuck", "stuck"]


def test_words_go_where_the_config_wants_them_in_json() -> None:
    bench = board({**STOP, "path": ["contact", "state"]}, closed=[4])
    assert json.loads(bench.said[0].payload) == {"contact": {"state": "0"}}


def test_several_inputs_on_one_board_do_not_disturb_each_other() -> None:
    bench = board(STOP, SANDER, RESET, closed=[4])
    since = bench.ms
    bench.pin(5, CLOSED)
    bench.pin(6, CLOSED)
    bench.go(200)
    bench.pin(4, OPENED)
    bench.go(200)
    assert [(said.topic, said.payload) for said in bench.said if said.ms > since] == [
        ("shop/sander/run", "on"),
        ("shop/reset", "1"),
        ("shop/estop", "1"),
    ]
    assert {last: signal.topic for last, signal in bench.role.signals.items()} == {
        "emergency/state": "shop/estop",
        "drum_sander/state": "shop/sander/run",
        "main/button": "shop/reset",
    }


@pytest.mark.parametrize(("one", "last"), [(STOP, "state"), (SANDER, "state"), (RESET, "button")])
def test_one_input_is_known_by_the_last_level_of_its_kind(one: dict[str, Any], last: str) -> None:
    assert list(board(one).role.signals) == [last]


@pytest.mark.parametrize(
    ("inputs", "pins", "message"),
    [
        ([], PINS, "settings.json: inputs has 0; wanted 1 to 24"),
        (
            [{**SANDER, "name": str(number)} for number in range(25)],
            {str(number): number for number in range(25)},
            "settings.json: inputs has 25; wanted 1 to 24",
        ),
        (["emergency"], PINS, "inputs: number 1 is 'emergency'; wanted a table"),
        ([STOP, {**RESET, "kind": "toggle"}], PINS, "number 2: kind is 'toggle'; wanted closed, open or button"),
        ([STOP], {"emergency": None}, "hardware: pins: emergency is missing; wanted the number of its pin"),
        ([STOP], {"emergency": "4"}, "hardware: pins: emergency is '4'; wanted a whole number"),
        ([STOP, RESET], {"emergency": 4, "main": 4}, "pins: emergency and main are both on pin 4"),
        ([{**STOP, "clear": None}], PINS, "number 1: clear is missing; wanted text"),
        ([{**RESET, "pressed": 1}], PINS, "number 1: pressed is 1; wanted text"),
    ],
)
def test_wrong_settings_say_where_and_what_is_wanted(inputs: list[Any], pins: dict[str, Any], message: str) -> None:
    with pytest.raises(WrongSettings, match=message):
        Bench("contact", settings(*inputs, pins=pins))


class Stretch(NamedTuple):
    """The button is closed, or open, for so long after its bounce; the broker comes or goes between the two parts."""

    bounce: list[int]
    ms: int
    link: str
    more_ms: int


LENGTHS = st.sampled_from([60, 100, 300, 1100])
STRETCHES = st.lists(
    st.builds(
        Stretch,
        bounce=st.lists(st.sampled_from([CLOSED, OPENED]), max_size=25),
        ms=LENGTHS,
        link=st.sampled_from(["same", "same", "same", "lose", "connect"]),
        more_ms=LENGTHS,
    ),
    max_size=12,
)


@given(stretches=STRETCHES, turn=st.integers(5, 15))
def test_each_press_has_one_word_and_its_release_one_however_the_broker_comes_and_goes(
    stretches: list[Stretch], turn: int
) -> None:
    bench = board(RESET)
    expected: list[str] = []
    told = False
    for one, closed in zip(stretches, cycle([True, False]), strict=False):
        for level in one.bounce:
            bench.pin(6, level)
            bench.go(1, turn=1)
        bench.pin(6, CLOSED if closed else OPENED)
        bench.go(one.ms, turn)
        if bench.link.up and (closed or told):
            expected.append("1" if closed else "0")
        told = closed and bench.link.up
        if one.link == "lose":
            bench.lose()
        elif one.link == "connect":
            bench.connect()
            told = False
        bench.go(one.more_ms, turn)
    assert bench.words("shop/reset") == expected


@given(
    levels=st.lists(st.tuples(st.sampled_from([CLOSED, OPENED]), st.integers(1, 120)), max_size=60),
    turn=st.integers(1, 25),
)
def test_a_state_is_told_once_the_contact_has_settled_in_it(levels: list[tuple[int, int]], turn: int) -> None:
    bench = board(STOP, closed=[4])
    looks: list[tuple[int, int]] = []
    bench.world.pump = lambda: looks.append((bench.ms, bench.world.inputs[4]))
    for level, milliseconds in levels:
        bench.pin(4, level)
        bench.go(milliseconds, turn)
    bench.go(100, turn)
    words = bench.words("shop/estop")
    assert all(one != other for one, other in pairwise(words))
    assert words[-1] == ("0" if bench.world.inputs[4] == CLOSED else "1")
    for said in bench.said[1:]:
        shown = {level for at, level in looks if said.ms - SETTLED + TURN_MS <= at <= said.ms}
        assert shown == {CLOSED if said.payload == "0" else OPENED}


DAY: list[Step] = [
    ("go", 500),
    ("link", True),
    ("pin", 4, OPENED),
    ("go", 7, 3),
    ("pin", 4, CLOSED),
    ("go", 200),
    ("pin", 6, CLOSED),
    ("go", 700),
    ("pin", 6, OPENED),
    ("go", 300),
    ("hear", "shop/estop/ask", "?"),
    ("link", False),
    ("pin", 4, OPENED),
    ("pin", 6, CLOSED),
    ("go", 900),
    ("link", True),
    ("go", 12_000),
    ("pin", 6, OPENED),
    ("pin", 5, CLOSED),
    ("go", 500),
    ("safe",),
]


def test_micropython_says_the_same_as_cpython() -> None:
    wanted = settings(STOP, {**SANDER, "path": ["run"]}, RESET)
    said, done = in_micropython("contact", wanted, DAY, held=[4])
    bench = Bench("contact", wanted, lambda world: world.inputs.update({4: CLOSED}))
    assert (said, done) == bench.play(DAY)
    assert [one.payload for one in said if one.topic == "shop/reset"] == ["1", "0", "stuck"]
    assert [one.payload for one in said if one.topic == "shop/estop"] == ["0", "0", "1"]
    assert done == []
