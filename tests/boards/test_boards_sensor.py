"""The sensor's program on a bench: what it measures, when it says so, and that it never says what it does not know."""

import json
import math
import subprocess
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from role_bench import BOARDS, STANDINS, Said, micropython, module
from sensor_bench import POLL, POLL_US, TOPIC, ClampBench, Mains, settings_of, started

STALE_MS = 2000


def test_the_current_is_said_with_its_uptime_and_a_number() -> None:
    bench = started(Mains(6.4))
    bench.go(5000)
    readings = bench.readings()
    assert [one["amps"] for one in readings] == pytest.approx([6.4] * len(readings), rel=0.02)
    assert [one["n"] for one in readings] == list(range(1, len(readings) + 1))
    for one, said in zip(readings, bench.said, strict=True):
        assert type(one["at"]) is int
        assert 80 <= said.ms - one["at"] < 400, "the middle of the burst"
        assert (said.retain, said.qos) == (False, 0)


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


@pytest.mark.parametrize(("scale", "said"), [(0.001, 4000), (1.0, 4.0), (0.1, 40.0), (1000.0, 0.004)])
def test_the_value_times_the_scale_is_amps(scale: float, said: float) -> None:
    bench = started(Mains(4.0), scale=scale)
    bench.go(1000)
    assert bench.readings()[0]["amps"] == pytest.approx(said, rel=0.02)
    assert len(bench.said[0].payload) < 60


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


@pytest.mark.parametrize("bias", [0.0, 0.3, 3.1, 3.3])
def test_an_input_at_its_rail_is_said_on_the_console_and_never_sent_as_no_current(bias: float) -> None:
    mains = Mains(4.0)
    bench = started(mains)
    bench.go(1000)
    mains.amps, mains.bias = 0.0, bias
    bench.go(600)
    broken = bench.ms
    bench.go(5000)
    assert not bench.words(TOPIC, broken)
    assert len([line for line in bench.console if "its bias or its plug is off; nothing is sent" in line]) == 1
    assert all(one["amps"] > 0.5 for one in bench.readings())
    mains.amps, mains.bias = 4.0, 1.65
    bench.go(1000)
    assert bench.readings(broken)[-1]["amps"] == pytest.approx(4.0, rel=0.02)
    assert bench.console[-1] == "clamp: the input stands at 1.65 V again"


def test_a_board_that_is_switched_on_with_a_broken_input_says_nothing() -> None:
    mains = Mains()
    mains.bias = 0.0
    bench = ClampBench(settings_of(), mains)
    bench.go(3000)
    looked = bench.ms
    bench.connect()
    bench.go(3000)
    assert bench.ms - looked >= 3000
    assert not bench.said
    assert bench.console[0].startswith("clamp: the input stands at 0.00 V; wanted about 1.65 V")


def test_a_calibrated_zero_is_what_the_bias_is_compared_with() -> None:
    mains = Mains(0.5)
    mains.bias = 0.5
    bench = started(mains, {"zero": 0.5})
    bench.go(1000)
    assert bench.readings()[0]["amps"] == pytest.approx(0.5, rel=0.02)
    mains.bias = 1.65
    bench.go(600)
    moved = bench.ms
    bench.go(3000)
    assert not bench.words(TOPIC, moved)


def test_a_learnt_zero_follows_slowly_and_never_shows_in_the_current() -> None:
    mains = Mains(1.0)
    bench = started(mains)
    bench.go(1000)
    assert bench.role.clamp.zero == pytest.approx(1.65, abs=0.001)
    mains.bias = 1.85
    bench.go(600)
    assert bench.role.clamp.zero == pytest.approx(1.67, abs=0.02)
    bench.go(60000, 50)
    assert bench.role.clamp.zero == pytest.approx(1.85, abs=0.01)
    assert all(one["amps"] == pytest.approx(1.0, abs=0.25) for one in bench.readings())
    assert bench.readings()[-1]["amps"] == pytest.approx(1.0, rel=0.02)


def test_a_current_beyond_the_range_is_sent_and_told_once() -> None:
    mains = Mains(5.0)
    bench = started(mains)
    bench.go(1000)
    mains.amps = 60.0
    bench.go(600)
    over = bench.ms
    bench.go(3000)
    assert all(25 < one["amps"] <= 33 for one in bench.readings(over)), "up to a square of 1.65 V"
    assert bench.readings(over)
    assert len([line for line in bench.console if "beyond the converter's range" in line]) == 1
    assert bench.role.facts["clipped"] is True


@pytest.mark.parametrize("hz", [49.7, 60.2])
def test_the_mains_is_found_said_once_and_remembered(hz: float) -> None:
    mains = Mains(5.0, hz)
    bench = started(mains)
    bench.go(3000)
    mains.amps = 0.0
    bench.go(2000)
    assert bench.role.facts["line_hz"] == pytest.approx(hz, abs=0.15)
    assert len([line for line in bench.console if line.startswith("clamp: the mains has ")]) == 1
    mains.amps = 0.15
    bench.go(3000)
    assert bench.readings()[-1]["amps"] == pytest.approx(0.15, rel=0.02)


def test_a_mains_of_the_settings_is_taken_as_given() -> None:
    mains = Mains(5.0, 50.2)
    bench = started(mains, {"line_hz": 50})
    bench.go(3000)
    assert "line_hz" not in bench.role.facts
    assert bench.readings()[-1]["amps"] == pytest.approx(5.0, rel=0.02)


def test_noise_is_taken_off_only_where_it_was_measured() -> None:
    for told, wanted in ((None, math.hypot(0.4, 0.3)), (0.015, 0.4)):
        mains = Mains(0.4)
        mains.noise = 0.015
        bench = started(mains, {} if told is None else {"noise": told})
        bench.go(20000)
        amps = [one["amps"] for one in bench.readings()]
        assert sum(amps) / len(amps) == pytest.approx(wanted, rel=0.02)


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


@pytest.mark.parametrize(("hz", "poll_us"), [(45.5, 7), (50.0, 91), (60.0, 91), (50.0, 400), (50.0, 990)])
def test_no_turn_takes_a_quarter_of_a_second_and_the_network_gets_its_turns(hz: float, poll_us: int) -> None:
    bench = ClampBench(settings_of(), Mains(5.0, hz), poll_us=poll_us)
    bench.connect()
    longest = turns = 0
    while bench.ms < 4000:
        bench.world.go(10000)
        begun = bench.world.us()
        bench.role.tick(bench.ms, bench.link)
        longest, turns = max(longest, bench.world.us() - begun), turns + 1
    assert longest < 250000
    assert turns > 4 * 4000 / 300


@pytest.mark.parametrize(("poll_us", "told"), [(7, 102), (300, 66), (700, 28)])
def test_the_console_says_whether_the_board_is_fast_enough(poll_us: int, told: int) -> None:
    bench = ClampBench(settings_of(), Mains(5.0), poll_us=poll_us)
    bench.connect()
    bench.go(2000)
    line = next(line for line in bench.console if "samples in a cycle" in line)
    assert int(line.split()[1]) == pytest.approx(told, abs=4)
    assert bench.role.facts["samples_per_cycle"] == pytest.approx(told, abs=4)
    assert "(60 are enough)" in line
    assert bench.readings()[-1]["amps"] == pytest.approx(5.0, rel=0.02)


def test_a_board_that_is_too_slow_sends_nothing_and_says_so() -> None:
    bench = ClampBench(settings_of(), Mains(5.0), poll_us=1300)
    bench.connect()
    bench.go(6000)
    assert not bench.said
    assert len([line for line in bench.console if "(1.3 ms between two, 1 at most): nothing is sent" in line]) == 1


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


def test_a_reading_says_what_a_listener_needs() -> None:
    """One message as it stands, for README."""
    bench = started(Mains(6.4))
    bench.go(400)
    assert bench.said[:1] == [Said(bench.said[0].ms, TOPIC, bench.said[0].payload, retain=False, qos=0)]
    assert json.loads(bench.said[0].payload).keys() == {"amps", "at", "n"}
