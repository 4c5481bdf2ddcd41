"""What the fast replay passes over must decide nothing: to the millisecond it tells what stepping everything tells."""

from array import array
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from plain_replay import Told, in_order, play_plainly

from gatehand.past import player as player_module
from gatehand.past.deadband import LOWEST, Deadband
from gatehand.past.player import RECORDED, Player, rested
from gatehand.past.replay_devices import IdealDevices
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand_rules import Outcome, Shop, State
from gatehand_rules.events import (
    BinReport,
    BrokerConnected,
    BrokerLost,
    ButtonPressed,
    Event,
    GateReport,
    MessageRejected,
    ResetAsked,
    StopReport,
    Tick,
)
from gatehand_rules.shop import Collector, Gate, StopContact, Tool
from gatehand_rules.words import Measure, Position

START_MS = 1_000_000
LEVELS = (-2.0, 0.0, 0.4, 0.9, 1.0, 1.249, 1.25, 1.4, 1.499, 1.5, 1.501, 2.0, 2.499, 2.5, 2.501, 4.0, 12.0)
PAUSES = (0, 1, 50, 400, 500, 999, 1000, 1001, 2000, 4999, 5000, 5001, 20_000, 70_000)

SENSORS: tuple[dict[str, Any], ...] = (
    *(
        {"measure": measure, "start_at": 2.5, "stop_at": stop}
        for measure in (Measure.AMPS, Measure.WATTS)
        for stop in (1.0, 1.5, 2.5)
    ),
    *({"measure": Measure.RUNNING, "start_at": 1.0, "stop_at": 1.0} for _ in range(2)),
)
"""Of a tool; a collector's motor has one of these below, or none."""
MOTOR_SENSORS: tuple[dict[str, Any], ...] = (
    {},
    {"senses_motor": True},
    {"senses_motor": True, "measure": Measure.WATTS, "turns_at": 4.0},
    {"senses_motor": True, "measure": Measure.RUNNING, "turns_at": 1.0},
)


@st.composite
def shops(draw: st.DrawFn) -> Shop:
    gates = tuple(
        Gate(
            name=f"g{i}",
            collector="main",
            reports=draw(st.booleans()),
            travel=draw(st.sampled_from([0.4, 1.5])),
            relief=i == 0,
        )
        for i in range(draw(st.integers(1, 3)))
    )
    tools = tuple(
        Tool(
            name=f"t{i}",
            collector="main",
            gates=(gates[i % len(gates)].name,),
            **draw(st.sampled_from(SENSORS)),
            start_after=draw(st.sampled_from([0.0, 0.5, 2.0])),
            stop_after=draw(st.sampled_from([0.0, 1.0])),
            run_on=draw(st.sampled_from([0.0, 3.0, 10.0])),
            silent_after=draw(st.sampled_from([0.0, 5.0, 30.0])),
            run_limit=draw(st.sampled_from([0.0, 25.0])),
        )
        for i in range(draw(st.integers(1, 3)))
    )
    fan = Collector(
        name="main",
        reports=draw(st.booleans()),
        **draw(st.sampled_from(MOTOR_SENSORS)),
        coast_down=4.0,
        refresh=draw(st.sampled_from([0.0, 7.0])),
        max_open=draw(st.sampled_from([None, 1, 2])),
        starts_per_hour=draw(st.sampled_from([None, 2])),
        rest=draw(st.sampled_from(["shut", "leave"])),
    )
    return Shop(tools=tools, gates=gates, collectors=(fan,), stops=(StopContact(name="s", collectors=("main",)),))


@st.composite
def stretches(draw: st.DrawFn, shop: Shop, *, rough: bool) -> Stretch:
    """Readings in runs of like values, now and then something else; `rough`: also what devices say by themselves."""
    stretch = Stretch()
    ms, order = START_MS, 0
    for _ in range(draw(st.integers(1, 12))):
        at = draw(st.integers(0, len(shop.tools)))
        ms += draw(st.sampled_from(PAUSES))
        if at == len(shop.tools):
            stretch.others.append(Timed(ms, order, draw(st.sampled_from(_others(shop, ms, rough=rough)))))
            order += 1
            continue
        beat = draw(st.sampled_from([100, 700, 1000]))
        values = draw(st.lists(st.sampled_from(LEVELS), min_size=1, max_size=4))
        for _ in range(draw(st.integers(1, 6))):
            for value in values:
                marked = at == 0  # the first tool's sensor says when it measured
                _add(stretch.tracks.setdefault(shop.tools[at].name, Track()), ms, value, order)
                if marked:
                    stretch.tracks[shop.tools[at].name].young.append(draw(st.integers(0, 1)))
                order += 1
                if rough and shop.collectors[0].senses_motor and draw(st.integers(0, 9)) == 0:
                    current = draw(st.sampled_from([0.0, 0.0, 5.0]))
                    _add(stretch.motors.setdefault("main", Track()), ms, current, order)
                    order += 1
                if rough and draw(st.integers(0, 5)) == 0:
                    _add(stretch.ticks, ms, 0, order)
                    order += 1
                ms += beat
    return stretch


def _add(track: Track, ms: int, amps: float, order: int) -> None:
    track.ms.append(ms)
    track.ma.append(round(amps * 1000))
    track.order.append(order)


def _others(shop: Shop, ms: int, *, rough: bool) -> Sequence[Event]:
    plain: list[Event] = [
        ButtonPressed("g0"),
        MessageRejected("tool", "t0", "not a number"),
        StopReport("s", active=True),
        StopReport("s", active=False),
        ResetAsked("main"),
        BinReport("main", full=True),
        BinReport("main", full=False),
    ]
    if not rough:
        return plain
    reports: list[Event] = [
        GateReport(gate.name, position) for gate in shop.gates if gate.reports for position in Position
    ]
    return [*plain, *reports, Tick(), BrokerLost((ms - 200) / 1000), BrokerConnected()]


def play_fast(
    shop: Shop, state: State, stretch: Stretch, devices: IdealDevices | None
) -> tuple[State, list[Told], Player]:
    told: list[Told] = []

    def sink(ms: int, _event: Event, outcome: Outcome) -> None:
        told.extend((ms, one) for one in (*outcome.findings, *outcome.commands))

    player = Player(shop, state, sink, devices=devices, patience_ms=0 if devices else RECORDED)
    player.play(stretch)
    return player.state, in_order(told), player


def timeless(state: State) -> State:
    """Without the next deadline, which may be early."""
    return replace(state, wake_at=None)


@given(st.data())
@settings(max_examples=120, deadline=None)
def test_fast_replay_with_ideal_devices_tells_what_stepping_everything_tells(data: st.DataObject) -> None:
    shop = data.draw(shops())
    stretch = data.draw(stretches(shop, rough=False))
    begun = rested(shop, START_MS)
    slow_state, slow = play_plainly(shop, begun, stretch, IdealDevices(shop))
    fast_state, fast, _ = play_fast(shop, begun, stretch, IdealDevices(shop))
    assert fast == slow
    assert timeless(fast_state) == timeless(slow_state)


@given(st.data())
@settings(max_examples=120, deadline=None)
def test_fast_replay_of_a_recorded_run_tells_what_stepping_everything_tells(data: st.DataObject) -> None:
    shop = data.draw(shops())
    stretch = data.draw(stretches(shop, rough=True))
    begun = rested(shop, START_MS)
    slow_state, slow = play_plainly(shop, begun, stretch, None)
    fast_state, fast, _ = play_fast(shop, begun, stretch, None)
    assert fast == slow
    assert timeless(fast_state) == timeless(slow_state)


def test_a_deadband_too_wide_by_a_milliampere_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison can fail: with the start threshold passed over, the fast replay misses the start."""
    shop = Shop(
        tools=(Tool(name="t0", collector="main", gates=("g0",), start_at=2.5, stop_at=1.8),),
        gates=(Gate(name="g0", collector="main"),),
        collectors=(Collector(name="main"),),
    )
    stretch = Stretch()
    track = stretch.tracks["t0"] = Track()
    for order, amps in enumerate((0.1, 0.1, 2.5, 2.5, 0.1)):
        _add(track, START_MS + 1000 * order, amps, order)
    begun = rested(shop, START_MS)
    assert (
        play_fast(shop, begun, stretch, IdealDevices(shop))[1]
        == (play_plainly(shop, begun, stretch, IdealDevices(shop))[1])
    )
    monkeypatch.setattr(player_module, "deadband", lambda *_, **__: Deadband(LOWEST, 2501))
    assert (
        play_fast(shop, begun, stretch, IdealDevices(shop))[1]
        != (play_plainly(shop, begun, stretch, IdealDevices(shop))[1])
    )


def test_a_reading_at_the_very_instant_of_silence_is_heard_as_in_the_daemon() -> None:
    """The daemon looks at the time every second, so its next deadline is the fresh one when the reading comes."""
    shop = Shop(
        tools=tuple(
            Tool(name=name, collector="main", gates=("g0",), start_at=2.5, stop_at=1.8, silent_after=30.0)
            for name in ("t0", "t1")
        ),
        gates=(Gate(name="g0", collector="main"),),
        collectors=(Collector(name="main"),),
    )
    stretch, order = Stretch(tracks={"t0": Track(), "t1": Track()}), 0
    for second in range(70):
        if second in {0, 1, 31, 61}:  # to the millisecond 30 s apart
            _add(stretch.tracks["t0"], START_MS + 1000 * second, 0.1, order)
        _add(stretch.tracks["t1"], START_MS + 1000 * second, 0.1, order + 1)
        _add(stretch.ticks, START_MS + 1000 * second + 500, 0.0, order + 2)
        order += 3
    begun = rested(shop, START_MS)
    assert play_fast(shop, begun, stretch, None)[1] == play_plainly(shop, begun, stretch, None)[1] == []


def test_readings_that_decide_nothing_are_not_stepped() -> None:
    shop = Shop(
        tools=(Tool(name="t0", collector="main", gates=("g0",), start_at=2.5, stop_at=1.8),),
        gates=(Gate(name="g0", collector="main"),),
        collectors=(Collector(name="main"),),
    )
    stretch = Stretch()
    count = 100_000
    stretch.tracks["t0"] = Track(
        array("q", range(START_MS, START_MS + 1000 * count, 1000)),
        array("i", [100] * (count - 1) + [3000]),
        array("q", range(count)),
    )
    steps: list[int] = []
    player = Player(shop, rested(shop, START_MS), lambda ms, _event, _outcome: steps.append(ms))
    player.play(stretch)
    assert steps == [START_MS + 1000 * (count - 1)], "one start, at the last reading"
