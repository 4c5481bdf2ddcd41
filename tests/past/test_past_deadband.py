"""Which readings a replay may pass over, to the thousandth, and where it stops: the numbers worked out by hand.

That what is passed over decides nothing is shown in tests/replay/test_replay_skipping.py; here, that nothing else is.
"""

from array import array
from typing import Any

import pytest
from msgspec.structs import replace

from gatehand.past.deadband import (
    ANY,
    HIGHEST,
    LOWEST,
    Cursor,
    Deadband,
    at_least,
    deadband,
    fan_deadband,
    first_outside,
    is_calm,
    whole_ms,
)
from gatehand.past.stretches import Track
from gatehand_rules import Shop, State, initial
from gatehand_rules.shop import Collector, Gate, Tool
from gatehand_rules.state import (
    Answer,
    CoastDown,
    CollectorState,
    FanSeen,
    Freshness,
    GateOpen,
    GateShut,
    GateState,
    Held,
    Running,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolSilent,
    ToolUnknown,
)

SAW = Tool(name="saw", collector="main", start_at=2.5, stop_at=1.75)
FAN = Collector(name="main", senses_motor=True, turns_at=2.0)


def test_each_thousandth_is_the_smallest_that_is_not_below_itself() -> None:
    """Thirds and sevenths of a thousandth stand for what a threshold of 0.7 times another comes to."""
    for whole in range(5000):
        assert at_least(whole / 1000) == whole
        assert at_least(whole / 1000 + 1e-9) == whole + 1
    assert at_least(0.7 * 2.5) == 1750
    assert at_least(-0.5) == -500


@pytest.mark.parametrize(("seconds", "ms"), [(0.0, 0), (1.5, 1500), (0.0001, 1), (0.0010000001, 1), (1.0001, 1001)])
def test_a_duration_is_over_at_the_first_whole_millisecond(seconds: float, ms: int) -> None:
    assert whole_ms(seconds) == ms


def test_an_idle_tools_readings_decide_nothing_below_half_of_its_threshold() -> None:
    """[calc] 2.5 A and a rise that counts from half of it on."""
    idle = ToolIdle(0.1, 5.0)
    assert deadband(SAW, idle, low=True, calm=True) == Deadband(LOWEST, 1250)
    assert deadband(SAW, idle, low=True, calm=False) == Deadband(LOWEST, 1250)


def test_where_the_interlock_has_not_seen_the_tool_low_a_low_reading_is_news_to_it() -> None:
    """[calc] An idle tool's band ends at 1.25 A and the interlock's begins at 1.75 A: nothing is left."""
    assert deadband(SAW, ToolIdle(0.1, 5.0), low=False, calm=True) is None
    muted = ToolMuted(9.0, 5.0)
    assert deadband(SAW, muted, low=False, calm=True) == Deadband(1750, HIGHEST)
    assert deadband(SAW, muted, low=True, calm=True) == Deadband(1750, 2500), "a start is news to it then"


def test_a_running_tool_is_passed_over_at_and_above_its_stop_threshold() -> None:
    runs = ToolRunning(6.0, 5.0, 4.0, Freshness.FRESH)
    assert deadband(SAW, runs, low=False, calm=False) == Deadband(1750, HIGHEST)
    assert deadband(SAW, replace(runs, low_since=4.5), low=False, calm=False) is None
    slows = replace(runs, low_since=4.5)
    assert deadband(SAW, slows, low=True, calm=True) == Deadband(LOWEST, 1750)
    assert deadband(SAW, slows, low=False, calm=True) is None, "below the stop threshold, which is where that band ends"


def test_in_a_rise_only_a_new_peak_or_the_threshold_decides() -> None:
    rise = SubthresholdRise(since=4.0, peak=2.0)
    assert deadband(SAW, ToolIdle(1.5, 5.0, rise), low=True, calm=True) == Deadband(1250, 2001)
    assert deadband(SAW, ToolIdle(1.5, 5.0, rise), low=True, calm=False) is None


def test_a_tool_of_which_nothing_is_known_is_passed_over_between_its_thresholds_only() -> None:
    unknown = ToolUnknown(None, 5.0)
    assert deadband(SAW, unknown, low=False, calm=True) == Deadband(1750, 2500)
    assert deadband(SAW, unknown, low=False, calm=False) is None
    assert deadband(SAW, ToolSilent(unknown, 6.0), low=False, calm=True) is None


@pytest.mark.parametrize(
    ("fan", "seen", "within"),
    [
        ({"drawing": True}, {"drawing": True}, Deadband(2000, HIGHEST)),
        ({"drawing": False}, {"drawing": False}, Deadband(LOWEST, 2000)),
        ({"drawing": None}, {"drawing": None}, None),
        ({"drawing": True}, {"drawing": False}, None),
        ({"drawing": False}, {"drawing": True}, None),
        ({"drawing": True, "answer": Answer(on=True, since=1.0)}, {"drawing": True}, None),
        ({"drawing": False}, {"drawing": False, "off_told": True}, None),
        ({"drawing": False, "phase": Running(), "confirmed": True, "reported_on": True}, {"drawing": False}, None),
        (
            {"drawing": False, "phase": Running(), "confirmed": True, "reported_on": False},
            {"drawing": False},
            Deadband(LOWEST, 2000),
        ),
        (
            {"drawing": False, "phase": Running(), "confirmed": False, "reported_on": True},
            {"drawing": False},
            Deadband(LOWEST, 2000),
        ),
        (
            {"drawing": False, "phase": CoastDown(), "confirmed": True, "reported_on": True},
            {"drawing": False},
            Deadband(LOWEST, 2000),
        ),
        ({"drawing": True}, {"drawing": True, "off_told": True}, Deadband(2000, HIGHEST)),
    ],
)
def test_a_motor_says_nothing_new_on_the_side_where_it_was_seen_and_no_answer_is_owed(
    fan: dict[str, Any], seen: dict[str, Any], within: Deadband | None
) -> None:
    assert fan_deadband(FAN, CollectorState(**fan), FanSeen(**seen)) == within


TWO = Shop(
    tools=(),
    gates=(Gate(name="a", collector="main"), Gate(name="b", collector="main"), Gate(name="c", collector="shed")),
    collectors=(replace(FAN, min_open=2), Collector(name="shed")),
)


def floor(moves: tuple[GateOpen | GateShut, ...], main: dict[str, Any]) -> State:
    state = initial(TWO, 0.0)
    gates = tuple(GateState(move=move) for move in moves)
    shed = replace(state.collectors[1], reported_on=False)
    return replace(state, gates=gates, collectors=(replace(state.collectors[0], **main), shed))


@pytest.mark.parametrize(
    ("moves", "main", "calm"),
    [
        ((GateOpen(), GateOpen(), GateShut()), {"phase": Running()}, True),
        ((GateOpen(), GateShut(), GateOpen()), {"phase": Running()}, False),  # the third is another collector's
        ((GateShut(), GateShut(), GateShut()), {}, True),
        ((GateShut(), GateShut(), GateShut()), {"drawing": True}, False),
        ((GateOpen(), GateOpen(), GateShut()), {"drawing": True, "phase": Held("stop")}, False),
        ((GateOpen(), GateOpen(), GateShut()), {"drawing": False, "phase": Held("stop")}, True),
    ],
)
def test_a_shop_is_calm_while_no_fan_turns_that_is_on_hold_or_lacks_open_gates(
    moves: tuple[GateOpen | GateShut, ...], main: dict[str, Any], calm: bool
) -> None:
    assert is_calm(TWO, floor(moves, main)) is calm


def test_a_fan_that_is_off_leaves_the_next_one_to_be_looked_at() -> None:
    state = floor((GateShut(), GateShut(), GateShut()), {})
    shed = replace(state.collectors[1], reported_on=True)
    assert not is_calm(TWO, replace(state, collectors=(state.collectors[0], shed)))


# Cursors


def track(*readings: tuple[int, int]) -> Track:
    ms, ma = zip(*readings, strict=True)
    return Track(array("q", ms), array("i", ma), array("q", range(0, 10 * len(ms), 10)))


@pytest.mark.parametrize(
    ("values", "start", "limit", "found"),
    [
        ([5, 5, 5], 0, 3, 3),
        ([5, 10, 5], 0, 3, 1),  # the upper bound is outside
        ([5, 9, 5], 0, 3, 3),
        ([5, 1, 5], 0, 3, 1),
        ([5, 2, 5], 0, 3, 3),  # the lower one is inside
        ([10, 5, 5], 1, 3, 3),
        ([5, 5, 10], 0, 2, 2),
        ([5] * 300 + [10], 0, 301, 300),
        ([5] * 256 + [1], 0, 257, 256),
        ([5] * 255 + [10, 5], 0, 257, 255),
        ([5] * 700, 10, 650, 650),
    ],
)
def test_the_first_reading_outside_is_found_across_blocks(
    values: list[int], start: int, limit: int, found: int
) -> None:
    assert first_outside(array("i", values), start, limit, Deadband(2, 10)) == found


def test_a_band_without_an_end_is_open_on_that_side() -> None:
    values = array("i", [-(10**6), 10**6])
    assert first_outside(values, 0, 2, ANY) == 2
    assert first_outside(values, 0, 2, Deadband(LOWEST, 5)) == 1
    assert first_outside(values, 0, 2, Deadband(0, HIGHEST)) == 0
    assert first_outside(values, 0, 2, Deadband(-(10**6), HIGHEST)) == 2


def test_a_cursor_stops_at_the_first_reading_that_decides_and_looks_again_only_for_a_reason() -> None:
    cursor = Cursor(track((0, 1), (10, 1), (20, 9), (30, 1)))
    assert (cursor.length, cursor.at, cursor.stop) == (4, 0, 0)
    cursor.look(Deadband(0, 5))
    assert cursor.stop == 2
    cursor.look(None)
    assert cursor.stop == 0, "each reading decides"
    cursor.look(Deadband(0, 10))
    assert cursor.stop == 4
    cursor.look(Deadband(0, 5))
    assert cursor.stop == 2
    assert cursor.pass_to(0) is None
    assert cursor.pass_to(2) == (10, 1)
    assert (cursor.at, cursor.pass_to(1), cursor.at) == (2, None, 2)
    cursor.look(Deadband(0, 5))
    assert cursor.stop == 2, "it has come to its stop and finds it again"
    cursor.at = 3
    cursor.look(Deadband(0, 5))
    assert cursor.stop == 4, "one that was stepped is behind it"
    assert cursor.pass_to(4) == (30, 1)


def test_a_pause_as_long_as_silence_stops_a_cursor_whatever_it_reads_then() -> None:
    cursor = Cursor(track((0, 1), (499, 1), (999, 1), (1498, 1)), silent_ms=500)
    cursor.look(ANY)
    assert cursor.stop == 2
    cursor.pass_to(2)
    cursor.at = 3
    cursor.look(ANY)
    assert cursor.stop == 4, "499 ms are none"
    cursor = Cursor(track((0, 1), (500, 1), (1000, 1)), silent_ms=500)
    cursor.look(ANY)
    assert cursor.stop == 1
    cursor.at = 1
    cursor.look(ANY)
    assert cursor.stop == 1, "the first after a pause is stepped however often it is looked for"
    never = Cursor(track((0, 1), (10**9, 1)))
    never.look(ANY)
    assert never.stop == 2


@pytest.mark.parametrize("gap_at", [1, 15, 16, 17, 31, 32, 33, 48])
def test_each_silence_is_found_wherever_it_lies_among_the_readings(gap_at: int) -> None:
    times = [10 * i + (1000 if i >= gap_at else 0) for i in range(50)]
    cursor = Cursor(track(*((ms, 1) for ms in times)), silent_ms=1000)
    cursor.look(ANY)
    assert cursor.stop == gap_at
    cursor.at = gap_at + 1
    cursor.look(ANY)
    assert cursor.stop == 50
    shorter = Cursor(track(*((ms, 1) for ms in times)), silent_ms=1011)
    shorter.look(ANY)
    assert shorter.stop == 50


def test_a_sensor_was_heard_last_just_before_the_cursors_stop() -> None:
    """[calc] Heard at 900 before; then at 1000, 1400 and 1800, of which the last decides."""
    cursor = Cursor(track((1000, 1), (1400, 1), (1800, 9)), silent_ms=500)
    assert cursor.heard_ms(900) == 900, "where each reading is stepped, nothing was passed over"
    cursor.look(Deadband(0, 5))
    assert cursor.heard_ms(900) == 1400
    assert cursor.heard_ms(501) == 1400
    assert cursor.heard_ms(500) == 500, "it was silent before the next reading came"
    cursor.pass_to(2)
    assert cursor.heard_ms(1400) == 1400
    endless = Cursor(track((1000, 1), (1400, 1)))
    endless.look(ANY)
    assert endless.heard_ms(0) == 1400, "a sensor that is never silent"
