"""Readings in columns: what is cut out of them, how long each held, and how a recording's mixed events are parted."""

from array import array

from gatehand.past.stretches import Stretch, Timed, Track
from gatehand_rules.events import BrokerConnected, CollectorReading, Event, Reading


def track(*readings: tuple[int, int], young: tuple[int, ...] = ()) -> Track:
    ms, ma = zip(*readings, strict=True) if readings else ((), ())
    return Track(array("q", ms), array("i", ma), array("q", range(len(ms))), array("b", young))


SAW = track((100, 1), (400, 2), (1000, 3), (1000, 4), (1300, 5), young=(1, 0, 1, 0, 1))


def test_a_reading_holds_until_the_next_and_at_most_so_long() -> None:
    assert list(SAW.held(350)) == [(1, 300), (2, 350), (3, 0), (4, 300)]
    assert list(track((5, 1)).held(350)) == []


def test_a_part_has_all_four_columns_of_its_places() -> None:
    part = SAW.part(1, 4)
    assert (list(part.ms), list(part.ma), list(part.order), list(part.young)) == (
        [400, 1000, 1000],
        [2, 3, 4],
        [1, 2, 3],
        [0, 1, 0],
    )
    assert len(part) == 3


def test_between_counts_the_first_moment_in_and_the_last_one_out() -> None:
    assert list(SAW.between(400, 1000).ma) == [2]
    assert list(SAW.between(401, 1001).ma) == [3, 4]
    assert list(SAW.between(None, 400).ma) == [1]
    assert list(SAW.between(1000, None).ma) == [3, 4, 5]
    assert SAW.between(None, None) is SAW
    assert SAW.between(100, 1301) is SAW, "nothing is cut off"


OTHERS: tuple[tuple[int, Event], ...] = (
    (50, Reading("saw", 9.0, retained=True)),
    (600, CollectorReading("main", 5.0, retained=True)),
    (2000, BrokerConnected()),
)


def stretch() -> Stretch:
    return Stretch(
        tracks={"saw": SAW, "router": track((700, 7))},
        motors={"main": track((90, 8), (1500, 8)), "shed": track((800, 1))},
        ticks=track((40, 0), (1600, 0)),
        others=[Timed(ms, order, event) for order, (ms, event) in enumerate(OTHERS)],
        zero_ms=30,
    )


def test_a_stretch_lasts_from_its_first_item_to_its_last_whatever_they_are() -> None:
    whole = stretch()
    assert (whole.first_ms, whole.last_ms) == (40, 2000)
    whole.ticks = Track()
    assert (whole.first_ms, whole.last_ms) == (50, 2000)
    whole.others = []
    assert (whole.first_ms, whole.last_ms) == (90, 1500)
    whole.motors = {}
    assert (whole.first_ms, whole.last_ms) == (100, 1300)
    assert (Stretch().first_ms, Stretch().last_ms) == (None, None)
    assert (Stretch(tracks={"saw": Track()}).first_ms, Stretch(tracks={"saw": Track()}).last_ms) == (None, None)


def test_its_readings_are_those_of_tools_and_motors() -> None:
    assert stretch().readings == 5 + 1 + 2 + 1


def test_a_part_of_a_stretch_lies_after_one_moment_and_up_to_another() -> None:
    part = stretch().part(100, 1500)
    assert list(part.tracks["saw"].ma) == [2, 3, 4, 5]
    assert list(part.tracks["router"].ma) == [7]
    assert {name: list(one.ms) for name, one in part.motors.items()} == {"main": [1500], "shed": [800]}
    assert list(part.ticks.ms) == []
    assert [one.ms for one in part.others] == [600]
    assert part.zero_ms == 30
    beginning = stretch().part(None, 90)
    assert [list(one.ms) for one in (*beginning.motors.values(), beginning.ticks)] == [[90], [], [40]]
    assert [one.ms for one in beginning.others] == [50]
    assert [one.ms for one in stretch().part(50, 600).others] == [600]
    assert [one.ms for one in stretch().part(49, 599).others] == [50]


def test_what_sensors_said_is_left_out_live_and_retained_and_nothing_else() -> None:
    whole = stretch()
    assert whole.without(set(), set()) is whole
    quiet = whole.without({"saw"}, {"main"})
    assert set(quiet.tracks) == {"router"}
    assert set(quiet.motors) == {"shed"}
    assert [one.event for one in quiet.others] == [BrokerConnected()]
    assert (quiet.ticks, quiet.zero_ms) == (whole.ticks, 30)
    no_saw = whole.without({"saw"}, set())
    assert [one.ms for one in no_saw.others] == [600, 2000]
    assert set(no_saw.motors) == {"main", "shed"}
    no_motor = whole.without(set(), {"main"})
    assert [one.ms for one in no_motor.others] == [50, 2000]
    assert set(no_motor.tracks) == {"saw", "router"}
