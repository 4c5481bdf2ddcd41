"""The collector's switch: what switches it on and off, and what it reports."""

import math
import subprocess
from typing import Any

import pytest
from role_bench import WRAP, Bench, micropython, module
from switch_bench import FEEDBACK, LIMIT_MS, RELAY, SET, STATE, SwitchBench, bare_script, settings

POLLED = {"topic": STATE, "on": "1", "off": "0", "poll": {"topic": "shop/collector/ask", "payload": "?"}}


@pytest.mark.parametrize(("level", "idle"), [(1, 0), (0, 1)])
def test_off_from_the_first_line_on_whichever_level_that_is(level: int, idle: int) -> None:
    bench = SwitchBench(settings(hardware={"relay": RELAY, "relay_on": level}))
    assert [done.value for done in bench.done] == [idle]
    bench.on_for(1000)
    assert bench.output(RELAY) == level
    bench.hear(SET, "0")
    assert bench.output(RELAY) == idle


@pytest.mark.parametrize("cause", ["PWRON_RESET", "WDT_RESET"])
def test_off_after_a_power_cut_and_after_a_watchdog_reset(cause: str) -> None:
    before = SwitchBench()
    before.on_for(1000)

    def why(world: Any) -> None:  # noqa: ANN401
        world.cause = getattr(module("machine"), cause)

    bench = SwitchBench(prepare=why)
    bench.go(LIMIT_MS)
    assert not bench.on
    assert bench.spans() == []
    assert bench.words(STATE) == ["0"]


def test_an_on_switches_on_and_an_off_switches_off() -> None:
    bench = SwitchBench()
    bench.on_for(3000)
    assert bench.on
    bench.hear(SET, "0")
    assert not bench.on
    bench.go(1000)
    assert bench.words(STATE) == ["0", "1", "0"]
    assert all(said.retain and said.qos == 1 for said in bench.said)


def test_a_retained_on_does_not_count_and_a_retained_off_does() -> None:
    bench = SwitchBench()
    for _ in range(3):
        bench.hear(SET, "1", retained=True)
        bench.go(100)
    assert bench.spans() == []
    assert bench.console == [f"the broker retains '1' on {SET}: it does not count"]
    bench.on_for(1000)
    bench.hear(SET, "1", retained=True)
    assert bench.on
    bench.hear(SET, "0", retained=True)
    assert not bench.on


def test_a_retained_on_does_not_carry_the_limit_further() -> None:
    bench = SwitchBench()
    bench.on_for(LIMIT_MS - 1000)
    bench.hear(SET, "1", retained=True)
    bench.go(1100)
    assert not bench.on


@pytest.mark.parametrize("word", [b"", b"2", b"ON", b"1 ", b"\xff\xfe", b"11", b"x" * 900])
def test_a_word_that_is_not_known_changes_nothing_and_is_told_once(word: bytes) -> None:
    bench = SwitchBench()
    for on in (False, True):
        if on:
            bench.on_for(100)
        bench.console.clear()
        for _ in range(3):
            bench.hear(SET, word)
            bench.go(100)
            assert bench.on == on
        assert len(bench.console) == 1
        assert bench.console[0].startswith(f"{SET} says {word[:40]!r}; wanted '1' or '0'")
        assert len(bench.console[0]) < 250


def test_a_lost_broker_keeps_it_on_until_the_limit_and_its_return_switches_nothing() -> None:
    bench = SwitchBench()
    bench.on_for(1000)
    bench.lose()
    bench.go(LIMIT_MS - 1100)
    assert bench.on
    bench.go(200)
    assert not bench.on
    assert bench.console == ["no '1' for 50 s: switched off"]
    bench.go(60_000)
    bench.connect()
    bench.hear(SET, "1", retained=True)
    bench.go(60_000)
    assert not bench.on
    assert bench.words(STATE, since_ms=bench.ms - 60_000) == ["0"]
    bench.on_for(100)
    assert bench.console[1:] == [f"the broker retains '1' on {SET}: it does not count"]


def test_after_its_limit_it_says_off_and_a_fresh_on_switches_on_again() -> None:
    bench = SwitchBench()
    bench.on_for(LIMIT_MS + 100)
    assert bench.words(STATE) == ["0", "1", "0"]
    bench.on_for(100)
    assert bench.last(STATE) == "1"
    assert bench.console == ["no '1' for 50 s: switched off"]


def test_the_broker_back_before_the_limit_finds_it_on_and_needs_the_repeated_on() -> None:
    bench = SwitchBench()
    bench.on_for(1000)
    bench.lose()
    bench.go(20_000)
    bench.connect()
    assert bench.last(STATE) == "1"
    bench.go(LIMIT_MS - 21_000 + 100)
    assert not bench.on
    assert bench.last(STATE) == "0"


def test_an_on_right_after_the_loop_stood_still_may_be_old_and_an_off_is_not_too_old() -> None:
    bench = SwitchBench()
    bench.go(1000)
    bench.freeze(1500)
    bench.go(10)
    bench.hear(SET, "1")
    assert not bench.on
    assert bench.console == ["'1' right after the loop stood still may be old: it does not count"]
    bench.go(1000)
    bench.on_for(100)
    bench.freeze(1500)
    bench.go(10)
    bench.hear(SET, "0")
    assert not bench.on


def test_no_on_counts_while_the_timer_does_not_fire() -> None:
    bench = SwitchBench()
    bench.on_for(100)
    for timer in bench.world.timers:
        timer.deinit()  # as if the port had lost it
    bench.go(2000)
    bench.hear(SET, "1")
    bench.go(LIMIT_MS - 2100 - 10)
    assert bench.on, "what was asked for before stays until its limit"
    bench.go(30)
    assert not bench.on, "the loop keeps the limit too"
    bench.hear(SET, "1")
    assert not bench.on
    assert "the timer of the limit does not run: no '1' counts" in bench.console


def test_each_command_and_each_poll_is_answered_with_the_state() -> None:
    bench = SwitchBench(settings(state=POLLED))
    for word, answer in (("0", "0"), ("1", "1"), ("1", "1"), ("0", "0")):
        bench.said.clear()
        bench.hear(SET, word)
        bench.go(50)
        assert bench.words(STATE) == [answer]
    bench.said.clear()
    bench.hear("shop/collector/ask", "?", retained=True)
    bench.hear("shop/collector/ask", "who")
    bench.go(50)
    assert bench.said == []
    bench.hear("shop/collector/ask", "?")
    bench.go(50)
    assert bench.words(STATE) == ["0"]


def test_a_poll_on_the_topic_of_the_commands_is_no_unknown_word() -> None:
    bench = SwitchBench(settings(state=POLLED | {"poll": {"topic": SET, "payload": "?"}}))
    bench.on_for(100)
    bench.said.clear()
    bench.hear(SET, "?")
    bench.go(50)
    assert bench.words(STATE) == ["1"]
    assert bench.on
    assert bench.console == []


def test_the_state_is_said_in_the_shape_that_the_config_wants_and_only_where_it_wants_one() -> None:
    bench = SwitchBench(settings(state={"topic": STATE, "on": "run", "off": "rest", "path": ["fan", "is"]}))
    bench.on_for(100)
    assert bench.words(STATE) == ['{"fan": {"is": "rest"}}', '{"fan": {"is": "run"}}']
    mute = SwitchBench(settings(state=None))
    mute.on_for(100)
    assert mute.said == []
    assert "state" not in mute.role.signals


def test_what_it_tells_of_itself() -> None:
    for feedback, source in ((False, "relay"), (True, "contactor")):
        bench = SwitchBench(settings(feedback=feedback))
        assert bench.role.facts == {"limit_ms": LIMIT_MS, "state_from": source}
        assert {name: signal.topic for name, signal in bench.role.signals.items()} == {"set": SET, "state": STATE}
        assert set(bench.role.hears) == {SET}


CLAMP = {"adc": 26, "amps_per_volt": 20.0, "every_ms": 1000, "deadband": 0.1}
AMPS = {"topic": "shop/collector/amps", "poll": {"topic": "shop/collector/amps/ask", "payload": "?"}}


def _sampled(world: Any) -> None:  # noqa: ANN401
    """A motor that draws 8 A at 50 Hz; each look at the clock takes 20 microseconds, in which the timer goes on."""
    world.waves[26] = lambda us: 32768 + round(0.4 * math.sqrt(2) * math.sin(math.tau * 50e-6 * us) * 65535 / 3.3)

    def ticks_us() -> int:
        world.go(20)
        return int(world.us()) % WRAP

    module("board").time.ticks_us = ticks_us


def _next_amps(bench: SwitchBench, within_ms: int) -> list[str]:
    """What it says next of the motor's amps; no more than one word."""
    bench.said.clear()
    end = bench.ms + within_ms
    while bench.ms < end and not bench.words("shop/collector/amps"):
        bench.go(10)  # and as long as the clamp takes
    return bench.words("shop/collector/amps")


def test_with_a_clamp_it_says_the_motors_amps() -> None:
    bench = SwitchBench(settings(amps=AMPS, hardware=settings()["hardware"] | {"clamp": CLAMP}), prepare=_sampled)
    assert {name: signal.topic for name, signal in bench.role.signals.items()}["amps"] == "shop/collector/amps"
    assert bench.role.facts["limit_ms"] == LIMIT_MS
    for _ in range(3):
        (word,) = _next_amps(bench, 1600)
        assert float(word) == pytest.approx(8.0, rel=0.02)
    assert _next_amps(bench, 400) == []
    bench.hear("shop/collector/amps/ask", "?", retained=True)
    bench.hear("shop/collector/amps/ask", "what")
    assert _next_amps(bench, 100) == []
    bench.hear("shop/collector/amps/ask", "?")
    assert len(_next_amps(bench, 300)) == 1
    bench.connect()
    assert len(_next_amps(bench, 300)) == 1, "after each connection anew"


def test_the_limit_holds_while_it_measures() -> None:
    given = settings(amps=AMPS, hardware=settings()["hardware"] | {"clamp": CLAMP}, limit_ms=1000)
    bench = SwitchBench(given, prepare=_sampled)
    bench.on_for(1500)
    ((begin, end),) = bench.spans()
    assert end is not None
    assert 1000 <= end - begin <= 1100
    assert bench.last(STATE) == "0"


@pytest.mark.parametrize(("clamp", "amps"), [(None, AMPS), (CLAMP, None), (None, None)])
def test_the_clamps_program_is_loaded_only_where_there_is_one_that_the_config_listens_to(
    clamp: dict[str, Any] | None, amps: dict[str, Any] | None
) -> None:
    given = {"amps": amps, "hardware": settings()["hardware"] | {"clamp": clamp}}
    bench = SwitchBench(settings(**given))
    bench.on_for(2000)
    assert set(bench.role.signals) == {"set", "state"}
    wanted = ["settings.json: hardware: clamp is not used: the config has no current of this collector"]
    assert bench.console == (wanted if clamp else [])
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", bare_script('print("LOADED", "clamp" in sys.modules, "rms" in sys.modules)', **given)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.stdout.splitlines()[-1:] == ["LOADED False False"], ended.stdout + ended.stderr


class _Contactor:
    """Follows its relay, as long as it is told to, and bounces for 15 ms."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.welded = self.held_off = False
        bench.world.pump = self._pull

    def _pull(self) -> None:
        changes = [done.ms for done in self.bench.done if done.pin == RELAY]
        since = self.bench.ms - changes[-1]
        on = (self.bench.output(RELAY) == 1 and not self.held_off) or self.welded
        if since < 15:
            on = since % 4 < 2
        self.bench.pin(FEEDBACK, 0 if on else 1)


def _with_contactor() -> tuple[SwitchBench, _Contactor]:
    bench = SwitchBench(settings(feedback=True))
    return bench, _Contactor(bench)


def test_the_contactors_contact_is_reported_freed_from_its_bounce() -> None:
    bench, _ = _with_contactor()
    bench.on_for(5000)
    bench.hear(SET, "0")
    bench.go(5000)
    assert bench.words(STATE) == ["0", "1", "0"]
    on, off = (said.ms for said in bench.said[1:])
    assert 30 <= on - 100 <= 80
    assert 30 <= off - 5100 <= 80
    assert bench.console == []


def test_a_welded_contactor_is_reported_as_on() -> None:
    bench, contactor = _with_contactor()
    bench.on_for(5000)
    contactor.welded = True
    bench.hear(SET, "0")
    bench.go(20_000)
    assert not bench.on
    assert bench.last(STATE) == "1"
    assert bench.console == [
        "the relay is off and the contactor is on: it is welded, or somebody switched it on by hand"
    ]


@pytest.mark.parametrize("running", [True, False])
def test_a_contactor_held_off_by_a_stop_does_not_start_when_the_stop_is_reset(running: bool) -> None:
    bench, contactor = _with_contactor()
    if running:
        bench.on_for(5000)
        contactor.held_off = True
        bench.go(100)
    else:
        contactor.held_off = True
        bench.on_for(1100)
    assert not bench.on
    assert bench.last(STATE) == "0"
    assert bench.console == ["the relay is on and the contactor is not (stop, overload, coil, wire?): switched off"]
    contactor.held_off = False
    bench.go(120_000)
    assert bench.last(STATE) == "0"
    bench.on_for(5000)
    assert bench.on
    assert bench.last(STATE) == "1"


def test_an_off_and_an_on_at_once_do_not_look_like_a_contactor_that_fell_out() -> None:
    bench, _ = _with_contactor()
    bench.on_for(5000)
    bench.hear(SET, "0")
    bench.go(50)
    bench.on_for(5000)
    assert bench.on
    assert bench.last(STATE) == "1"


def test_the_program_ends_with_the_relay_off_and_the_timer_stopped() -> None:
    bench = SwitchBench()
    bench.on_for(1000)
    bench.role.safe()
    bench.role.safe()
    assert not bench.on
    assert [timer.due_us for timer in bench.world.timers] == [None]
