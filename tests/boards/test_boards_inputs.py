"""Contacts and buttons freed from their bounce: the boards' `inputs`, alone."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from role_bench import module

inputs = module("inputs")
board = module("board")
SETTLE = inputs.SETTLE_MS


class Wire:
    """A pin whose level the test sets."""

    level = 1

    def value(self) -> int:
        return self.level


class Bell:
    """A button under test, and what it said: (time, word)."""

    def __init__(self) -> None:
        self.wire = Wire()
        self.heard = True
        self.said: list[tuple[int, str]] = []
        self.now = 0
        self.button = inputs.Button(self.wire, self._say)

    def go(self, milliseconds: int, closed: bool, turn: int = 10) -> None:
        """The button is so for so long."""
        self.wire.level = 0 if closed else 1
        for _ in range(0, milliseconds, turn):
            self.now += turn
            self.button.tick(self.now)

    def bounce(self, levels: list[int]) -> None:
        """A level for each millisecond, each of which the loop sees."""
        for level in levels:
            self.wire.level = level
            self.now += 1
            self.button.tick(self.now)

    @property
    def words(self) -> list[str]:
        return [word for _, word in self.said]

    def _say(self, word: str) -> bool:
        if self.heard:
            self.said.append((self.now, word))
        return self.heard


def test_a_contact_is_not_known_before_it_has_settled() -> None:
    wire = Wire()
    one = inputs.Input(wire)
    assert (one.changed(0), one.closed) == (False, None)
    assert (one.changed(SETTLE - 1), one.closed) == (False, None)
    assert (one.changed(SETTLE), one.closed) == (True, False)
    wire.level = 0
    assert (one.changed(100), one.closed) == (False, False)
    assert (one.changed(100 + SETTLE), one.closed, one.changed_at) == (True, True, 100)


@given(bounces=st.lists(st.lists(st.integers(0, 1), max_size=SETTLE - 1), min_size=2, max_size=12))
def test_bounce_gives_one_press_and_one_release(bounces: list[list[int]]) -> None:
    bell = Bell()
    bell.go(100, closed=False)
    for closed, bounce in zip([True, False] * len(bounces), bounces, strict=False):
        bell.bounce(bounce)
        bell.go(100, closed=closed)
    assert bell.words == ([inputs.PRESSED, inputs.RELEASED] * len(bounces))[: len(bounces)]


@given(levels=st.lists(st.integers(0, 1), max_size=300))
def test_no_word_comes_without_a_contact_that_has_stood_so_for_its_time(levels: list[int]) -> None:
    bell = Bell()
    bell.go(100, closed=False)
    begun = bell.now
    bell.bounce(levels)
    before = [1] * SETTLE + levels
    for at, word in bell.said:
        end = at - begun + SETTLE
        assert set(before[end - SETTLE : end]) == {0 if word == inputs.PRESSED else 1}
    assert bell.words == [inputs.PRESSED, inputs.RELEASED] * (len(bell.words) // 2) + (
        [inputs.PRESSED] if len(bell.words) % 2 else []
    )


def test_a_button_held_down_at_power_up_is_no_press_and_its_release_is_none() -> None:
    bell = Bell()
    bell.go(500, closed=True)
    bell.go(500, closed=False)
    assert bell.words == []
    bell.go(200, closed=True)
    assert bell.words == [inputs.PRESSED]


def test_a_broken_wire_says_nothing_for_ever() -> None:
    bell = Bell()
    bell.go(3_600_000, closed=False, turn=50)
    assert bell.words == []


def test_a_press_of_over_ten_seconds_is_said_as_stuck_every_ten_and_its_release_never() -> None:
    bell = Bell()
    bell.go(100, closed=False)
    bell.go(10_010, closed=True)
    assert bell.now - 110 == 10_000
    assert bell.words == [inputs.PRESSED]  # ten seconds are not over ten
    bell.go(25_000, closed=True)
    assert bell.words == [inputs.PRESSED, *[inputs.STUCK] * 3]
    bell.go(500, closed=False)
    assert bell.words[-1] == inputs.STUCK
    bell.go(500, closed=True)
    bell.go(500, closed=False)
    assert bell.words[4:] == [inputs.PRESSED, inputs.RELEASED]


def test_a_button_jammed_since_power_up_is_said_as_stuck() -> None:
    bell = Bell()
    bell.go(10_200, closed=True)
    assert bell.words == [inputs.STUCK]


def test_stuck_is_said_once_after_a_loop_that_stood_still() -> None:
    bell = Bell()
    bell.go(100, closed=False)
    bell.go(1_000, closed=True)
    bell.now += 60_000
    bell.go(1_000, closed=True)
    assert bell.words == [inputs.PRESSED, inputs.STUCK]


@pytest.mark.parametrize("lost_ms", [100, 600])
def test_a_press_that_nobody_heard_is_never_told_nor_its_release(lost_ms: int) -> None:
    bell = Bell()
    bell.go(100, closed=False)
    bell.heard = False
    bell.go(lost_ms, closed=True)
    bell.heard = True
    bell.button.greet(bell.now)
    bell.go(700, closed=True)
    bell.go(500, closed=False)
    assert bell.words == []


def test_a_press_that_began_before_the_connection_and_settles_after_it_is_not_told() -> None:
    bell = Bell()
    bell.go(100, closed=False)
    bell.go(10, closed=True)
    bell.button.greet(bell.now)
    bell.go(500, closed=True)
    bell.go(500, closed=False)
    assert bell.words == []


def test_a_release_after_a_connection_made_anew_is_not_told() -> None:
    bell = Bell()
    bell.go(100, closed=False)
    bell.go(200, closed=True)
    bell.button.greet(bell.now)
    bell.go(200, closed=False)
    assert bell.words == [inputs.PRESSED]


def test_two_things_on_one_pin_are_refused_by_name() -> None:
    table, taken = board.Settings({"button": 4, "open_switch": 4}, "settings.json: hardware"), dict[int, str]()
    assert inputs.input_pin(table, "button", taken) is not None
    with pytest.raises(board.WrongSettings, match="hardware: button and open_switch are both on pin 4"):
        inputs.input_pin(table, "open_switch", taken)
    assert inputs.input_pin(table, "shut_switch", taken) is None


def test_a_pin_that_the_board_does_not_have_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    class NoPin:
        IN = PULL_UP = 0

        def __init__(self, *_args: Any) -> None:  # noqa: ANN401
            raise ValueError("invalid pin")

    monkeypatch.setattr(inputs, "Pin", NoPin)
    with pytest.raises(board.WrongSettings, match="hardware: button is 99; this board has no such pin"):
        inputs.input_pin(board.Settings({"button": 99}, "settings.json: hardware"), "button", {})
