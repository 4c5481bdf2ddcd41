"""The dead-man's limit of the switch: whatever its loop, its network and its clock do, the relay is off in time.

In CPython against drawn stories; in MicroPython with the heap locked, as in an interrupt, and with a loop that hangs.
"""

import json
import re
import subprocess
import sys
from collections.abc import Callable
from threading import Timer
from types import FrameType
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from role_bench import BOARDS, PLAYER, STANDINS, TURN_MS, WRAP, Step, micropython, module
from switch_bench import SET, SwitchBench, bare_script
from switch_bench import settings as of_switch

LATE_MS = 100
"""So much after the limit, at most, the relay is off."""
REFRESH = 2.5
"""The limit over the time after which the daemon repeats its "on"."""

Story = list[tuple[str, int]]
Trace = Callable[[FrameType, str, Any], Any]

steps = st.one_of(
    st.tuples(st.sampled_from(["on", "on", "off", "retained on", "junk", "lose", "back"]), st.just(0)),
    st.tuples(st.just("go"), st.integers(1, 4000)),
    st.tuples(st.just("slow"), st.integers(1, 4000)),
    st.tuples(st.just("freeze"), st.sampled_from([1, 40, 51, 300, 999, 1001, 2500, 6000])),
)
starts = st.one_of(
    st.just(0),
    st.integers(0, 15_000).map(lambda back: WRAP - back),
    st.integers(0, 15_000).map(lambda back: WRAP // 2 - back),
    st.integers(0, 15_000).map(lambda back: 2 * WRAP - back),
)


def _play(bench: SwitchBench, story: Story) -> tuple[list[int], list[int]]:
    """Live the story; when a live "on" came, and when an "off" did."""
    ons, offs = [], []
    for what, ms in story:
        if what == "go":
            bench.go(ms, turn=40)
        elif what == "slow":
            bench.go(ms, turn=400)
        elif what == "freeze":
            bench.freeze(ms)
        elif what == "lose":
            bench.lose()
        elif what == "back":
            bench.connect()
        elif what == "junk":
            bench.hear(SET, "toggle")
        else:
            if bench.link.up and what == "on":
                ons.append(bench.ms)
            if bench.link.up and what == "off":
                offs.append(bench.ms)
            bench.hear(SET, "0" if what == "off" else "1", retained=what == "retained on")
    return ons, offs


@settings(max_examples=400)
@given(story=st.lists(steps, max_size=25), limit_ms=st.sampled_from([300, 1000, 5000]), start_ms=starts)
@example(story=[("on", 0), ("freeze", 6000)], limit_ms=5000, start_ms=WRAP - 2500)
@example(story=[("on", 0), ("freeze", 999), ("on", 0), ("freeze", 6000)], limit_ms=1000, start_ms=0)
def test_it_is_off_in_time_whatever_comes(story: Story, limit_ms: int, start_ms: int) -> None:
    bench = SwitchBench(of_switch(limit_ms=limit_ms), offset_ms=start_ms)
    ons, offs = _play(bench, story)
    bench.freeze(limit_ms + LATE_MS)
    assert not bench.on
    for begin, end in bench.spans():
        assert end is not None
        assert begin in ons, "nothing but a live 'on' switches on"
        heard = [ms for ms in ons if begin <= ms <= end]
        assert end - heard[-1] <= limit_ms + LATE_MS
        assert not [ms for ms in offs if begin < ms < end], "each 'off' switches off at once"


@settings(max_examples=100)
@given(
    limit_ms=st.sampled_from([5000, 50_000]),
    gaps=st.lists(st.tuples(st.floats(0.2, 1), st.integers(0, 999)), min_size=1, max_size=12),
    start_ms=starts,
)
def test_an_on_each_refresh_never_lets_it_drop(limit_ms: int, gaps: list[tuple[float, int]], start_ms: int) -> None:
    """Though the loop stands still for up to a second before it hears each of them, and every second one is lost."""
    bench = SwitchBench(of_switch(limit_ms=limit_ms), offset_ms=start_ms)
    bench.on_for(0)
    for index, (part, stall_ms) in enumerate(gaps):
        bench.go(int(part * limit_ms / REFRESH) - (stall_ms if part > 0.9 else 0), turn=250)
        bench.freeze(stall_ms if part > 0.9 else 0)
        bench.go(1)
        if index % 2:
            bench.hear(SET, "1")
    assert [end for _, end in bench.spans()] == [None]


@pytest.mark.parametrize("start_ms", [0, WRAP - 200, WRAP // 2 - 200, WRAP - 51_000, WRAP - 50_050])
def test_a_loop_that_hangs_for_ever_does_not_keep_it_on(start_ms: int) -> None:
    bench = SwitchBench(offset_ms=start_ms)
    bench.on_for(1000)
    bench.hear(SET, "1")
    heard = bench.ms
    bench.freeze(3_600_000)
    (span,) = bench.spans()
    assert span[1] is not None
    assert 50_000 <= span[1] - heard <= 50_000 + LATE_MS
    assert bench.words("shop/collector/state", since_ms=heard) == [], "who hangs says nothing"


@pytest.mark.parametrize("start_ms", [0, WRAP - 4990])
@pytest.mark.parametrize("early_ms", range(-60, 61, 6))
def test_an_on_just_as_the_limit_comes_due_counts_in_full(early_ms: int, start_ms: int) -> None:
    bench = SwitchBench(of_switch(limit_ms=5000), offset_ms=start_ms)
    bench.on_for(4500)
    bench.freeze(500 - early_ms)
    bench.hear(SET, "1")
    heard = bench.ms
    assert bench.on
    bench.go(4999)
    assert bench.on
    bench.freeze(1 + LATE_MS)
    *_, (_, end) = bench.spans()
    assert end is not None
    assert 5000 <= end - heard <= 5000 + LATE_MS


def _interrupt(bench: SwitchBench, before: str, happens: Callable[[], None]) -> None:
    """Something happens once, just before the program reads its clock or drives its relay for the next time."""
    clock, world = module("switch").time, bench.world
    ticks, act = clock.ticks_ms, world.act

    def read() -> int:
        clock.ticks_ms = ticks
        happens()
        return int(ticks())

    def drive(*what: object) -> None:
        world.act = act
        happens()
        act(*what)

    if before == "clock":
        clock.ticks_ms = read
    else:
        world.act = drive


@pytest.mark.parametrize("before", ["clock", "relay"])
def test_a_timer_that_comes_in_the_midst_of_an_on_takes_nothing_from_it(before: str) -> None:
    bench = SwitchBench(of_switch(limit_ms=5000))
    bench.on_for(4960)
    bench.world.now_us += 60_000  # the limit is over, and the timer has not come yet
    _interrupt(bench, before, bench.world.timers[0].fire)
    bench.hear(SET, "1")
    heard = bench.ms
    bench.go(4999)
    assert bench.on
    bench.freeze(1 + LATE_MS)
    *_, (_, end) = bench.spans()
    assert end is not None
    assert 5000 <= end - heard <= 5000 + LATE_MS
    assert bench.console == [], "it was never off for longer than those few lines"


@pytest.mark.parametrize("before", ["clock", "relay"])
def test_a_loop_that_hangs_in_the_midst_of_an_on_leaves_it_off_or_limited(before: str) -> None:
    bench = SwitchBench(of_switch(limit_ms=5000))
    _interrupt(bench, before, lambda: bench.freeze(6000))
    bench.hear(SET, "1")
    if before == "relay":
        bench.role.tick(bench.ms, bench.link)
        assert not bench.on, "its limit was over before it was driven"
    bench.freeze(5000 + LATE_MS)
    assert not bench.on


@pytest.mark.parametrize("lost", [2, 3, 5])
def test_a_call_of_the_timer_that_is_lost_is_made_up_by_the_next(lost: int) -> None:
    """A port whose queue of calls is full drops one."""
    bench = SwitchBench(of_switch(limit_ms=5000))
    timer = bench.world.timers[0]
    fire, count = timer.fire, [0]

    def at_times() -> None:
        count[0] += 1
        if count[0] % lost == 0:
            timer.due_us += 50_000
        else:
            fire()

    timer.fire = at_times
    bench.on_for(0)
    bench.freeze(5000 + LATE_MS)
    assert not bench.on


def _fault_at(count: int, story: Callable[[], None]) -> bool:
    """Live the story, and run out of memory before the line of switch.py that is reached as so many-th; whether it was.

    What the timer calls is left out: it allocates nothing (below), and lines of it count as the loop's nowhere.
    """
    file, left = module("switch").__file__, [count]

    def call(frame: FrameType, _event: str, _arg: object) -> "Trace | None":
        return line if frame.f_code.co_filename == file and frame.f_code.co_name != "look" else None

    def line(_frame: FrameType, event: str, _arg: object) -> "Trace":
        left[0] -= event == "line"
        if not left[0]:
            raise MemoryError
        return line

    before = sys.gettrace()
    sys.settrace(call)
    try:
        story()
    except MemoryError:
        return True
    finally:
        sys.settrace(before)
    return False


@pytest.mark.parametrize("ends", [True, False])
def test_fault_before_any_line_leaves_it_off_or_limited(*, ends: bool) -> None:
    """Where the loop ends in order it is off at once; where it simply stops, when its limit is over."""
    lines = on = 0
    hit = True
    while hit:
        bench = SwitchBench(of_switch(limit_ms=300))
        lines += 1

        def story(bench: SwitchBench = bench) -> None:
            bench.hear(SET, "1")
            bench.go(20)
            bench.hear(SET, "0")
            bench.hear(SET, "1")
            bench.go(450, turn=50)

        hit = _fault_at(lines, story)
        on += bench.on
        if ends:
            bench.role.safe()
        else:
            bench.freeze(300 + LATE_MS)
        assert not bench.on, lines
    assert lines > 200
    assert on > 50


LOCKED = """
def locked(call):
    micropython.heap_lock()
    try:
        call(None)
        return True
    except MemoryError:
        return False
    finally:
        micropython.heap_unlock()
found = [locked(look), Pin.level]
role.hears[TOPIC](b"1", False, now)
found += [Pin.level, locked(look), Pin.level]
clock.ms += 299
found += [locked(look), Pin.level]
clock.ms += 1
found += [locked(look), Pin.level]
found.append(locked(lambda _timer: [0] * 100))
print("FOUND", found)
"""

HANGS = """
import _thread, time
role.hears[TOPIC](b"1", False, now)
print("ON", Pin.level)
hung = [False]
looked = [0]
def call(timer):
    look(timer)
    looked[0] += 1
def ticker():
    # A clock of its own: how fast this thread is run shows in nothing that it says.
    while not hung[0]:
        time.sleep_ms(1)
    began = clock.ms
    while Pin.level and clock.ms - began < 100000:
        clock.ms += 50
        before = looked[0]
        CALL
        while looked[0] == before:
            time.sleep_ms(1)
    print("OFF", Pin.level, clock.ms - began)
_thread.start_new_thread(ticker, ())
hung[0] = True
while True:
    pass
"""


def test_what_the_timer_calls_allocates_nothing_in_micropython() -> None:
    """As in an interrupt, where the heap is locked; the last answer shows that the lock holds."""
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", bare_script(LOCKED, limit_ms=300)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.stdout.strip() == f"FOUND {[True, 0, 1, True, 1, True, 1, True, 0, False]}", (
        ended.stdout + ended.stderr
    )


@pytest.mark.parametrize("call", ["call(None)", "micropython.schedule(call, None)"])
def test_a_loop_that_hangs_in_micropython_does_not_keep_it_on(call: str) -> None:
    """The timer is a thread beside it, with a clock of its own; the loop never comes back.

    It calls as an interrupt does, or leaves the call to the interpreter, between two steps of the loop that hangs.
    """
    with subprocess.Popen(  # noqa: S603  # our own script
        [micropython(), "-c", bare_script(HANGS.replace("CALL", call), limit_ms=300)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as board:
        assert board.stdout is not None
        said = []
        guard = Timer(60, board.kill)  # a thread that never comes would keep this test for ever
        guard.start()
        try:
            for line in board.stdout:
                said.append(line.strip())
                if line.startswith("OFF"):
                    break
        finally:
            guard.cancel()
            board.kill()
    assert said[:1] == ["ON 1"], said
    found = re.fullmatch(r"OFF 0 (\d+)", said[-1])
    assert found, said
    assert 300 <= int(found[1]) <= 300 + LATE_MS


VIRTUAL = """
import sys
sys.path[:0] = FOLDERS
from world import WORLD
WORLD.now_us = START_US
import switch
class Clock:
    def ticks_ms(self):
        return WORLD.us() // 1000 & (1 << 30) - 1
    def ticks_diff(self, later, earlier):
        return ((later - earlier + (1 << 29)) & (1 << 30) - 1) - (1 << 29)
switch.time = Clock()
"""


@pytest.mark.parametrize("start_ms", [0, WRAP - 30_000])
def test_one_story_goes_the_same_way_in_both_pythons(start_ms: int) -> None:
    steps: list[Step] = [
        ("go", 100),
        ("link", True),
        *[("hear", SET, "1"), ("go", 9000), ("hear", SET, "junk"), ("go", 11_000)] * 2,
        ("link", False),
        ("go", 70_000),
        ("link", True),
        ("hear", SET, "1", True),
        ("go", 5000),
        ("hear", SET, "1"),
        ("go", 3000, 900),
        ("hear", SET, "0", True),
        ("go", 1000),
        ("hear", SET, "1"),
        ("safe",),
    ]
    bench = SwitchBench(offset_ms=start_ms, connected=False)
    known = {
        "FOLDERS": [str(STANDINS), str(BOARDS)],
        "START_US": start_ms * 1000,
        "ROLE": "switch",
        "SETTINGS": json.dumps(of_switch()),
        "STEPS": json.dumps(steps),
        "HELD": [],
        "TURN_MS": TURN_MS,
    }
    script = "".join(f"{name} = {value!r}\n" for name, value in known.items()) + VIRTUAL + PLAYER
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    *console, played = ended.stdout.splitlines()
    assert played.startswith("PLAYED "), ended.stdout + ended.stderr
    said, done = bench.play(steps)
    assert json.loads(played.removeprefix("PLAYED ")) == [[list(each) for each in said], [list(each) for each in done]]
    assert [line.split(" ", 1)[1] for line in console] == bench.console
    assert [begin - start_ms for begin, _ in bench.spans()] == [100, 115_100, 119_100]
