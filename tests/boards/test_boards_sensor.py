"""The sensor's program on a bench: what it measures, when it says so, and that it never says what it does not know."""

import json
import subprocess
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from role_bench import BOARDS, STANDINS, micropython, module
from sensor_bench import POLL, POLL_US, TOPIC, ClampBench, Mains, settings_of, started

STALE_MS = 2000


def test_the_current_is_said_with_its_uptime_and_a_number() -> None:
    bench = started(Mains(6.4))
    bench.go(5000)
    readings = bench.readings()
    assert [one["amps"] for one in readings] == pytest.approx([6.4] * len(readings), rel=0.02)
    assert [one["n"] for one in readings] == list(range(1, len(readings) + 1))
    for one, said in zip(readings, bench.said, strict=True):
        assert one.keys() == {"amps", "at", "n"}
        assert type(one["at"]) is int
        assert 80 <= said.ms - one["at"] < 400, "the middle of the burst"
        assert (said.retain, said.qos) == (False, 1)


def test_a_steady_current_is_said_at_the_rhythm_and_a_change_at_once() -> None:
    mains = Mains(1.0)
    bench = started(mains, {"every_ms": 2000})
    bench.go(10000)
    assert 4 <= len(bench.said) <= 6
    mains.amps = 5.0
    switched = bench.ms
    bench.go(700)
    assert bench.readings(switched)[-1]["amps"] == pytest.approx(5.0, rel=0.02)
    mains.amps = 5.08
    before = len(bench.said)
    bench.go(1200)
    assert len(bench.said) == before, "within the dead band of 0.1 A"


def test_a_slow_creep_is_compared_with_what_was_said_last() -> None:
    """Steps of less than the dead band: unsaid each by itself, said when they have added up."""
    mains = Mains(2.0)
    bench = started(mains, {"every_ms": 60000, "deadband": 0.1})
    bench.go(500)
    for _ in range(20):
        mains.amps += 0.04
        bench.go(600)
    amps = [one["amps"] for one in bench.readings()]
    assert len(amps) in range(6, 9)
    assert all(0.1 < later - earlier < 0.2 for earlier, later in pairwise(amps))


@pytest.mark.parametrize(
    ("amps", "keys"),
    [
        ({"path": [], "at": None}, ()),
        ({"path": ["amps"], "at": None}, ("amps",)),
        ({"path": ["meter", "amps"], "at": ["meter", "at"]}, ("meter", "amps")),
        ({"path": ["meter", "amps"], "at": ["time"]}, ("meter", "amps")),
    ],
)
def test_the_payload_is_shaped_as_the_config_reads_it(amps: dict[str, Any], keys: tuple[str, ...]) -> None:
    bench = started(Mains(4.0), **amps)
    bench.go(1000)
    found = payload = json.loads(bench.said[0].payload)
    for key in keys:
        found = found[key]
    assert found == pytest.approx(4.0, rel=0.02)
    if amps["at"]:
        time = payload
        for key in amps["at"]:
            time = time[key]
        assert isinstance(time, int)
        assert payload["meter"]["n"] == 1
    else:
        assert "n" not in bench.said[0].payload


@pytest.mark.parametrize(("scale", "digits"), [(1.0, 3), (0.1, 2), (0.01, 1), (0.001, 0), (10.0, 4), (1000.0, 6)])
def test_the_value_times_the_scale_is_amps_to_a_thousandth(scale: float, digits: int) -> None:
    bench = started(Mains(4.1234), scale=scale)
    bench.go(1000)
    value = bench.readings()[0]["amps"]
    assert value * scale == pytest.approx(4.1234, rel=0.02)
    assert len(str(value).partition(".")[2]) == digits
    assert isinstance(value, float if digits else int)


def test_without_a_broker_nothing_measured_is_kept() -> None:
    mains = Mains(6.0)
    bench = started(mains)
    bench.go(2000)
    bench.lose()
    lost = bench.ms
    bench.go(5000)
    mains.amps = 0.0
    bench.connect()
    back = bench.ms
    bench.go(1000)
    assert not bench.words(TOPIC, lost)[:-1] or bench.readings(lost)[0]["at"] >= back
    assert [one["at"] >= back and one["amps"] < 0.1 for one in bench.readings(lost)] == [True] * len(
        bench.readings(lost)
    )
    assert bench.readings(lost), "and said anew at once"


def test_while_what_was_said_is_not_surely_there_it_waits_and_measures_anew() -> None:
    mains = Mains(6.0)
    bench = started(mains)
    bench.go(1500)
    bench.link.behind = True
    held = bench.ms
    bench.go(3000)
    assert not bench.words(TOPIC, held)
    mains.amps = 0.0
    bench.link.behind = False
    free = bench.ms
    bench.go(600)
    assert [(one["amps"], one["at"] >= free) for one in bench.readings(held)] == [(0.0, True)]


def test_a_slow_broker_is_told_one_reading_at_a_time_and_each_is_new() -> None:
    """An acknowledgement that takes 900 ms: what is said waits for it, and so does the measuring."""
    mains = Mains(1.0)
    bench = started(mains, {"every_ms": 200})
    heard = 0
    for _ in range(500):
        bench.go(10)
        mains.amps = 1.0 + bench.ms / 1000
        if len(bench.said) > heard:
            heard, bench.link.behind = len(bench.said), True
        if bench.link.behind and bench.ms - bench.said[-1].ms >= 900:
            bench.link.behind = False
    assert len(bench.said) in range(5, 8)
    for before, one in pairwise(bench.said):
        assert json.loads(one.payload)["at"] >= before.ms + 900


@pytest.mark.parametrize(("frozen_ms", "sent"), [(1800, True), (1980, False), (30000, False), (18 * 60000, False)])
def test_a_reading_older_than_two_seconds_is_measured_anew(frozen_ms: int, sent: bool) -> None:
    """The loop stands still between sampling (middle: 103 ms before its end) and saying."""
    bench = started(Mains(3.0))
    bench.go(215)
    bench.freeze(frozen_ms)
    thawed = bench.ms
    bench.go(30)
    assert len(bench.said) == int(sent)
    bench.go(400)
    assert bench.readings()[-1]["at"] > (0 if sent else thawed)
    assert bench.said


@settings(max_examples=30)
@example([("freeze", 3000)] * 12)
@given(
    st.lists(
        st.tuples(st.sampled_from(["go", "go", "freeze", "lose", "connect", "behind", "free"]), st.integers(10, 2600)),
        min_size=2,
        max_size=12,
    )
)
def test_no_reading_is_older_than_two_seconds_or_than_the_connection(steps: list[tuple[str, int]]) -> None:
    mains = Mains(3.0)
    bench = started(mains)
    since = 0
    for what, milliseconds in steps:
        said = len(bench.said)
        if what == "freeze":
            bench.go(240)  # a burst is sampled
            bench.freeze(milliseconds)
        elif what == "lose":
            bench.lose()
        elif what == "connect" and not bench.link.up:
            bench.connect()
            since = bench.ms
        elif what in ("behind", "free"):
            if bench.link.behind and what == "free":
                since = bench.ms
            bench.link.behind = bench.link.up and what == "behind"
        mains.amps = 3.0 + milliseconds / 1000
        bench.go(milliseconds if what == "go" else 400)
        for one in bench.said[said:]:
            at = json.loads(one.payload)["at"]
            assert one.ms - at <= STALE_MS
            assert at >= since
    ats = [one["at"] for one in bench.readings()]
    assert ats == sorted(set(ats))
    assert [one["n"] for one in bench.readings()] == list(range(1, len(ats) + 1))


def test_a_poll_is_answered_with_what_is_measured_after_it() -> None:
    bench = started(Mains(2.0), {"every_ms": 30000}, poll={"topic": POLL, "payload": "?"})
    bench.go(3000)
    for payload, retained, answers in (("?", False, 1), ("?", True, 0), ("what", False, 0)):
        asked = bench.ms
        bench.go(150)
        bench.hear(POLL, payload, retained)
        polled = bench.ms
        bench.go(2000)
        assert [one["at"] >= polled for one in bench.readings(asked)] == [True] * answers


@pytest.mark.parametrize("offset_ms", [(1 << 30) // 1000 - 1, (1 << 30) - 50, 5 * (1 << 30) + 7])
def test_uptime_is_right_beyond_the_wraps_of_the_ticks(offset_ms: int) -> None:
    """Microseconds begin anew every 18 minutes, milliseconds every 12 days."""
    bench = ClampBench(settings_of(), Mains(6.4), offset_ms=offset_ms)
    bench.connect()
    bench.go(3000)
    readings = bench.readings()
    assert len(readings) >= 2
    for one, said in zip(readings, bench.said, strict=True):
        assert one["amps"] == pytest.approx(6.4, rel=0.02)
        assert offset_ms <= one["at"] <= said.ms < one["at"] + 400


@pytest.mark.parametrize(
    ("hardware", "amps", "said"),
    [
        ({"amps_per_volt": None}, {}, "settings.json: hardware: amps_per_volt is missing; calibrate.py finds it"),
        ({"amps_per_volt": -3}, {}, "amps_per_volt is -3; wanted a number above 0"),
        ({"adc": None}, {}, "adc is missing; wanted a whole number"),
        ({"line_hz": 400}, {}, "line_hz is 400; wanted 50, 60, or null"),
        ({"full_scale_volts": 0}, {}, "full_scale_volts is 0; wanted a number above 0"),
        ({"every_ms": 50}, {}, "every_ms of 200 or more"),
        ({"deadband": -1}, {}, "a deadband of 0 or more"),
        ({"noise": "low"}, {}, "noise is 'low'; wanted a number"),
        ({}, {"scale": 0}, "settings.json: amps: scale is 0; wanted a number above 0"),
    ],
)
def test_wrong_settings_are_refused_with_their_place(hardware: dict[str, Any], amps: dict[str, Any], said: str) -> None:
    with pytest.raises(module("board").WrongSettings) as refused:
        ClampBench(settings_of(hardware, **amps), Mains())
    assert said in str(refused.value)


ON_A_BOARD = """
import gc, json, math, sys
sys.path[:0] = FOLDERS
from world import WORLD
import board
class Ticks:
    def ticks_us(self):
        WORLD.now_us += POLL_US
        return WORLD.now_us & 0x3FFFFFFF
board.time = Ticks()
console = []
board.log = console.append
amps = 0.0
def wave(us):
    return round((1.65 + amps / 20 * math.sqrt(2) * math.sin(2e-6 * math.pi * 50.0 * us)) / 3.3 * 65535)
WORLD.waves[26] = wave
class Link:
    up = behind = False
link = Link()
said = []
def say(topic, payload, retain=False, qos=0):
    said.append([WORLD.us() // 1000, payload.decode()])
    return True
gc.collect()
free = gc.mem_alloc()
import sensor
gc.collect()
code = gc.mem_alloc() - free
role = sensor.make(board.Settings(json.loads(SETTINGS)))
gc.collect()
heap = gc.mem_alloc() - free - code
role.say = say
link.up = True
role.greet(0)
def go(milliseconds):
    end = WORLD.us() + milliseconds * 1000
    while WORLD.us() < end:
        WORLD.go(min(10000, end - WORLD.us()))
        role.tick(WORLD.us() // 1000, link)
grown = [0] * 20
for i in range(20):
    amps = (0.0, 6.4, 0.3, 11.0)[i % 4]
    go(2000)
    gc.collect()
    grown[i] = gc.mem_alloc()
    if i == 3:
        told = said
        said = []
        def say_nothing(topic, payload, retain=False, qos=0):
            return True
        role.say = say_nothing
from clamp import Burst
burst = Burst(board.Settings({"adc": 3}))
gc.collect()
gc.disable()
before = gc.mem_alloc()
burst.take()
taken = gc.mem_alloc() - before
print(json.dumps([told, console, code, heap, grown, taken]))
"""


def test_micropython_says_the_same_and_its_memory_does_not_grow(tell: Callable[[str], None]) -> None:
    known = {"FOLDERS": [str(STANDINS), str(BOARDS)], "POLL_US": POLL_US, "SETTINGS": json.dumps(settings_of())}
    script = "".join(f"{name} = {value!r}\n" for name, value in known.items()) + ON_A_BOARD
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    assert not ended.returncode, ended.stderr
    told, console, code, heap, grown, taken = json.loads(ended.stdout.splitlines()[-1])
    mains = Mains()
    bench = started(mains)
    for amps in (0.0, 6.4, 0.3, 11.0):
        mains.amps = amps
        bench.go(2000)
    assert [(ms, json.loads(payload)) for ms, payload in told] == [
        (said.ms, json.loads(said.payload)) for said in bench.said
    ]
    assert console == bench.console
    assert max(grown[6:]) - grown[5] < 300, "bytes, over 28 s and a hundred bursts"
    assert taken < 200, "bytes made while sampling: none for each sample"
    tell(f"boards: sensor: {heap} bytes of heap for the clamp and its burst, {code} for its code (64-bit words)")
