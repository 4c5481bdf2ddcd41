"""What is kept of a broker: enough of each topic, and no more than the limits say, whatever comes."""

import json
import tracemalloc
from collections.abc import Callable
from random import Random

import pytest
from listening_support import heard

from gatehand.listening.observed import Limits, Listening
from gatehand.listening.trace import DistinctCount, Trace


def test_a_number_has_its_range_its_times_and_its_last() -> None:
    found = heard((1, "saw", "0.2", True), (2, "saw", "6.5"), (5, "saw", "0.1")).signal("saw", None)
    assert found is not None
    assert (found.kind, found.retained, found.live, found.low, found.high) == ("number", 1, 2, 0.1, 6.5)
    assert (found.first_at, found.last_at) == (1, 5)
    assert found.last is not None
    assert found.last.value == 0.1


def test_each_value_of_a_json_payload_is_a_signal_of_its_own() -> None:
    found = heard((1, "m", '{"power": 3, "on": true}'), (2, "m", '{"power": 900, "on": false, "error": "x"}'))
    assert {one.pointer: (one.kind, one.count) for one in found.signals()} == {
        "/power": ("number", 2),
        "/on": ("word", 2),
        "/error": ("word", 1),
    }


def test_what_is_word_and_number_is_mixed_and_what_is_neither_says_what_it_is() -> None:
    found = heard(
        *((1, "mixed", "1"), (2, "mixed", "unknown"), (3, "gone", b""), (4, "camera", b"\xff\xd8")),
        *((5, "firmware", b"x" * 1_000_000), (6, "deep", b"[" * 9000)),
    )
    kinds = {one.topic: one.kind for one in found.signals()}
    assert kinds == {"mixed": "mixed", "gone": "empty", "camera": "binary", "firmware": "huge", "deep": "unreadable"}
    assert {one.topic: one.longest for one in found.topics()}["firmware"] == 1_000_000


def test_words_are_counted_and_only_the_newest_few_kept() -> None:
    words = heard(*((at, "b", word) for at, word in enumerate(["on", "off", "on"]))).signal("b", None)
    assert words is not None
    assert words.words == {"off": 1, "on": 2}
    assert words.few_values
    many = heard(*((at, "b", f"word {at}") for at in range(30))).signal("b", None)
    assert many is not None
    assert list(many.words) == [f"word {at}" for at in range(22, 30)]
    assert not many.few_values


def test_the_rhythm_is_that_of_live_messages() -> None:
    at_once = [(0.0, "m", "1", True)]
    found = heard(*at_once, *((5 + 10 * at, "m", "1") for at in range(8))).signal("m", None)
    assert found is not None
    assert found.rhythm is not None
    assert found.rhythm.steady
    assert found.rhythm.every == pytest.approx(10)


def test_a_gap_over_a_lost_connection_is_no_rhythm() -> None:
    found = Listening()
    for at in (0, 10, 20, 30, 40):
        found.take("m", b"1", False, at)
    found.pause()
    found.take("m", b"1", True, 400)
    for at in (405, 415, 425):
        found.take("m", b"1", False, at)
    signal = found.signal("m", None)
    assert signal is not None
    assert signal.rhythm is not None
    assert signal.rhythm.longest == pytest.approx(10)


def test_a_topic_that_speaks_takes_the_place_of_one_that_was_only_held_back() -> None:
    found = Listening(Limits(topics=100, signals=1000))
    for at in range(500):
        found.take(f"old/{at}", b"1", True, 0.0)
    found.take("old/3", b"2", False, 0.5)
    found.take("shop/saw", b"6.4", False, 1.0)
    assert len(found) == 100
    assert found.signal("shop/saw", None) is not None
    assert found.beyond()["old"] == pytest.approx(401, rel=0.05)
    for at in range(200):
        found.take(f"live/{at}", b"1", False, 2.0)
    assert len(found) == 100
    for topic in ("shop/saw", "old/3"):  # they have spoken: they do not give way
        assert found.signal(topic, None) is not None
    assert found.beyond()["live"] == pytest.approx(102, rel=0.05)


def test_many_values_in_one_topic_leave_room_for_others() -> None:
    found = Listening(Limits(topics=10, signals=80))
    for topic in ("a", "b"):
        found.take(topic, json.dumps({f"k{at}": at for at in range(60)}).encode(), False, 0.0)
    assert sum(1 for _ in found.signals()) == 80
    assert [one.left_out for one in found.topics()] == [0, 1]


def test_no_name_is_too_long_and_no_first_level_one_too_many() -> None:
    found = Listening(Limits(topics=1))
    found.take("kept", b"1", False, 0.0)
    for at in range(500):
        found.take(f"{at}/{'long' * 1000}", b"1", False, 0.0)
    assert len(found) == 1
    assert len(found.beyond()) <= 49
    assert sum(found.beyond().values()) == pytest.approx(500, rel=0.05)


def test_twenty_thousand_topics_stay_within_forty_megabytes(tell: Callable[[str], None]) -> None:
    """All held back, many live then, in JSON, with several values, words and a time that differs in each message."""
    dice = Random(5)
    found = Listening()
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for turn, topics in enumerate((20_000, 6_000)):
        for at in range(topics):
            payload = f'{{"power": {dice.random():.3f}, "state": "ON", "time": "{turn}:{at}"}}'
            found.take(f"site/{at % 7}/device {at}/meter", payload.encode(), turn == 0, turn + at / 20_000)
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(found) + sum(found.beyond().values()) == pytest.approx(20_000, rel=0.02)
    assert held < 40e6
    tell(f"listen: 20,000 topics of three values are held in {held / 1e6:.0f} MB")


def test_one_signal_that_never_rests_is_held_in_a_few_kilobytes() -> None:
    trace = Trace()
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for at in range(20_000):
        trace.add(at / 10, at if at % 3 else f"word {at}", live=True)
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(trace) <= 240
    assert held < 20e3


def test_a_full_trace_keeps_the_newest_whole_and_the_changes_of_words() -> None:
    trace = Trace(100)
    for at in range(1000):
        trace.add(at, "on" if 500 <= at < 520 else "off", live=True)
    assert [one.at for one in trace.between(960, 1000)] == list(range(960, 1000))
    changes = [(one.at, one.value) for one in trace if one.value == "on"]
    assert changes[0] == (500, "on")
    assert trace.before(519.5) is not None
    assert trace.before(530) is not None


@pytest.mark.parametrize("count", [1, 10, 1000, 20_000, 100_000])
def test_linear_counting_is_within_three_in_a_hundred(count: int) -> None:
    sketch, dice = DistinctCount(), Random(count)
    hashes = [dice.getrandbits(64) for _ in range(count)]
    for one in (*hashes, *hashes):
        sketch.add(one)
    assert sketch.about == pytest.approx(count, rel=0.03, abs=1)
