"""The gate's program beside a blade that moves: whatever comes, what it says is so, and its pulses end."""

from typing import Any

from gate_blade import OPEN_SWITCH, POLL, SERVO, SET, SHUT_SWITCH, STATE, Blade, settings
from hypothesis import example, given
from hypothesis import strategies as st
from role_bench import Bench

WAY = 750
"""Milliseconds from end to end."""
QUIET = 4000
ENDS = {"open": 90.0, "shut": 0.0}
SEEN_LATE = 60
"""A contact settles, and the loop takes its turns: so long may pass between the blade and the word, and a turn."""

HAPPENS = st.one_of(
    st.tuples(st.just("set"), st.sampled_from(["open", "shut"]), st.booleans()),
    st.tuples(st.just("set"), st.sampled_from(["open", "shut"]), st.just(False)),
    st.tuples(st.just("set"), st.sampled_from(["", "OPEN", "?", "open ", "\x00"]), st.booleans()),
    st.tuples(st.just("go"), st.integers(1, 1500), st.integers(1, 60)),
    st.tuples(st.just("stall"), st.integers(100, 900)),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("ask"), st.booleans()),
)
HANDS = st.one_of(
    HAPPENS,
    st.tuples(st.just("hand"), st.sampled_from([0.0, 45.0, 90.0])),
    st.tuples(st.just("jam"), st.booleans()),
    st.tuples(st.just("break"), st.sampled_from([OPEN_SWITCH, SHUT_SWITCH])),
    st.tuples(st.just("mend"), st.sampled_from([OPEN_SWITCH, SHUT_SWITCH])),
)


class Shop:
    """One gate with its blade, to which things happen; each turn of its loop is looked at."""

    def __init__(self, angle: float, settle_ms: int, **hardware: Any) -> None:  # noqa: ANN401
        self.bench = Bench("gate", settings(settle_ms=settle_ms, **hardware))
        self.blade = Blade(self.bench, angle)
        self.settle_ms = settle_ms
        self.told_ms: list[int] = []
        """When live commands came."""
        self.heard = 0

    def happen(self, what: str, *more: Any) -> None:  # noqa: ANN401
        """One of the things drawn."""
        if what == "go":
            for _ in range(0, more[0], more[1]):
                self.turn(more[1])
        elif what == "stall":
            self.turn(more[0])
        elif what == "set":
            if more[0] in ENDS and not more[1] and self.bench.link.up:
                self.told_ms.append(self.bench.ms)
            self.bench.hear(SET, *more)
        elif what == "ask":
            self.bench.hear(POLL, "?", *more)
        elif what == "link":
            self.bench.connect() if more[0] else self.bench.lose()
        elif what == "hand":
            self.blade.hand(more[0])
        elif what == "jam":
            self.blade.jammed = more[0]
        else:
            (self.blade.broken.add if what == "break" else self.blade.broken.discard)(more[0])
            self.blade.show()

    def turn(self, milliseconds: int) -> None:
        """One turn; the pulses are no longer than the last command's way, its settling and what a late loop adds.

        A step of the servo is due after 20 ms, and a loop that stands still just before it makes it so much longer: the
        last step is late by that, and the board waits as long for the blade, which may be as far behind.
        """
        self.blade.turn(milliseconds)
        if self.bench.output(SERVO, "pwm"):
            late = 2 * (20 + self.blade.longest_ms) + milliseconds
            assert self.bench.ms - self.told_ms[-1] <= WAY + self.settle_ms + late

    def new_words(self) -> list[str]:
        """What it said of the blade since it was asked last."""
        words = self.bench.words(STATE)
        new, self.heard = words[self.heard :], len(words)
        return new

    def end(self) -> None:
        """Nothing more happens: the pulses end, and none began without a live command."""
        self.happen("go", QUIET, 10)
        assert not self.bench.output(SERVO, "pwm")
        pulse = 0
        for done in self.bench.done:
            if done.what == "pwm":
                assert pulse or done.ms in self.told_ms
                assert done.value == 0 or 500_000 <= done.value <= 1_500_000
                pulse = done.value
        self.bench.connect()


@given(happens=st.lists(HAPPENS, max_size=25), angle=st.floats(0, 90), settle_ms=st.sampled_from([0, 30, 200]))
@example(
    happens=[("set", "open", False), ("go", 397, 1), ("stall", 339), ("stall", 339), ("go", 355, 1)],
    angle=0.0,
    settle_ms=0,
)
def test_by_time_alone_it_says_an_end_only_when_the_slowest_servo_is_there(
    happens: list[tuple[Any, ...]], angle: float, settle_ms: int
) -> None:
    shop = Shop(angle, settle_ms)
    shop.bench.connect()
    for one in happens:
        turns = [("go", one[2], one[2])] * (one[1] // one[2]) if one[0] == "go" else [one]
        for each in turns:
            shop.happen(*each)
            for word in shop.new_words():
                assert word not in ENDS or abs(shop.blade.angle - ENDS[word]) <= Blade.NEAR
    shop.end()
    goal = [one[1] for one in happens if one[0] == "set" and one[1] in ENDS and not one[2]]
    assert shop.new_words()[-1] in {"unknown", *goal}
    if shop.told_ms:
        assert shop.bench.last(STATE) in ENDS


@given(
    happens=st.lists(HANDS, max_size=25), angle=st.sampled_from([0.0, 30.0, 90.0]), settle_ms=st.sampled_from([0, 200])
)
def test_with_end_switches_it_says_an_end_only_where_the_blade_is_whoever_moved_it(
    happens: list[tuple[Any, ...]], angle: float, settle_ms: int
) -> None:
    shop = Shop(angle, settle_ms, open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH)
    shop.happen("go", 100, 10)
    shop.bench.connect()
    for one in happens:
        turns = [("go", one[2], one[2])] * (one[1] // one[2]) if one[0] == "go" else [one]
        for each in turns:
            shop.happen(*each)
            for word in shop.new_words():
                assert word not in ENDS or shop.blade.was_at(ENDS[word], SEEN_LATE + shop.blade.longest_ms)
    shop.end()
    blade, word = shop.blade, str(shop.bench.last(STATE))
    seen = {end for end, pin in (("open", OPEN_SWITCH), ("shut", SHUT_SWITCH)) if shop.bench.world.inputs[pin] == 0}
    assert word in (seen | {"stuck"} if seen else {"unknown", "stuck"})
    if shop.told_ms and not blade.jammed and not blade.broken and word == "stuck":
        # What was jammed or broken then is mended now: the next command finds the way.
        shop.happen("set", "open", False)
        shop.happen("go", QUIET, 10)
        assert shop.bench.last(STATE) == "open"


def test_a_blade_left_behind_by_a_late_loop_has_its_time_also_when_it_is_turned_round_twice() -> None:
    shop = Shop(0.0, 0)
    shop.bench.connect()
    shop.happen("set", "shut", False)
    shop.happen("go", 2000, 10)
    shop.happen("set", "open", False)
    shop.happen("go", 40, 10)
    shop.happen("stall", 500)
    shop.happen("set", "shut", False)
    shop.happen("go", 40, 10)
    shop.happen("set", "open", False)
    shop.new_words()
    while "open" not in shop.new_words():
        shop.happen("go", 10, 10)
    assert shop.blade.was_at(90, 10)


@given(seconds=st.integers(0, 3), angle=st.floats(0, 90), word=st.sampled_from(["open", "shut"]))
def test_told_its_end_again_by_time_the_blade_is_there_wherever_a_hand_had_put_it(
    seconds: int, angle: float, word: str
) -> None:
    shop = Shop(30.0, 200)
    shop.bench.connect()
    shop.happen("set", word, False)
    shop.happen("go", 1500, 10)
    shop.blade.hand(angle)
    shop.happen("go", 1000 * seconds, 10)
    shop.happen("set", word, False)
    shop.happen("go", 1500, 10)
    assert abs(shop.blade.angle - ENDS[word]) <= Blade.NEAR
