"""At which millisecond a replay steps what: readings, deadlines and devices, with a perfect timer and with a late one.

One saw behind one gate that does not report: it opens within 1.5 s, the run-on lasts 10 s, the fan coasts for 8 s, the
sensor is silent after 30 s. [calc] All times follow from these by adding.
"""

from array import array
from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from gatehand.past import player as module
from gatehand.past.player import (
    RECORDED,
    ChangedPlayer,
    NeverAtRestError,
    Player,
    at_rest,
    rested,
    with_tools,
)
from gatehand.past.replay_devices import Devices, IdealDevices, TimedCommands
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand_rules import Outcome, Shop
from gatehand_rules.commands import CollectorOff, CollectorOn, OpenGate, ShutGate
from gatehand_rules.events import CollectorReading, Event, MessageRejected, Reading
from gatehand_rules.shop import Collector, Gate, Tool
from gatehand_rules.state import (
    Freshness,
    GateOpen,
    GateShut,
    Off,
    ToolIdle,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.words import Measure

SAW = Tool(name="saw", collector="main", gates=("saw",), start_at=2.5, stop_at=1.75)
SHOP = Shop(tools=(SAW,), gates=(Gate(name="saw", collector="main"),), collectors=(Collector(name="main"),))
ZERO = 100_000


def track(*readings: tuple[int, int], order: int = 0, young: Sequence[int] = ()) -> Track:
    """Readings by ms from the beginning and thousandths."""
    ms, ma = zip(*readings, strict=True)
    places = range(order, order + len(ms))
    return Track(array("q", (ZERO + each for each in ms)), array("i", ma), array("q", places), array("b", young))


def replaced_order(readings: Track, *order: int) -> Track:
    """The same at these places among everything in the stretch."""
    return Track(readings.ms, readings.ma, array("q", order), readings.young)


class Played:
    """A player with all its steps that came to something: ms from the beginning, the kind of event, what was found."""

    def __init__(self, shop: Shop = SHOP, *, devices: Devices | None = None, patience_ms: int = 0) -> None:
        self.steps: list[tuple[int, str, list[str]]] = []
        self.player = Player(shop, rested(shop, ZERO), self._hear, devices=devices, patience_ms=patience_ms)

    def _hear(self, ms: int, event: Event, outcome: Outcome) -> None:
        self.steps.append((ms - ZERO, type(event).__name__, [str(one.event) for one in outcome.findings]))


CUT = track((0, 100), (1000, 6000), (2000, 6000), (3000, 100), (4000, 100), (13_050, 100), (40_000, 100))


def test_with_a_perfect_timer_each_deadline_is_stepped_at_its_own_instant() -> None:
    played = Played(devices=IdealDevices(SHOP))
    commands = played.player.play(Stretch(tracks={"saw": CUT, "gone": CUT}, motors={"gone": CUT}))
    assert played.steps == [
        (1000, "Reading", ["tool_started", "gate_commanded"]),
        (2500, "Tick", ["gate_open", "collector_on"]),
        (3000, "Reading", ["tool_stopped"]),
        (13_000, "Tick", ["run_on_ended", "collector_off"]),
        (21_000, "Tick", ["gate_commanded"]),
        (22_500, "Tick", ["gate_shut"]),
    ]
    assert commands == [
        (ZERO + 1000, OpenGate("saw")),
        (ZERO + 2500, CollectorOn("main")),
        (ZERO + 13_000, CollectorOff("main")),
        (ZERO + 21_000, ShutGate("saw")),
    ]
    assert played.player.now_ms == ZERO + 22_500, "what decides nothing is not stepped"
    assert played.player.state.tools == (ToolIdle(0.1, 140.0),), "but it was heard"
    assert played.player.play(Stretch()) == []
    assert played.player.play(Stretch(tracks={"saw": track((41_000, 100))})) == []


def test_an_item_within_the_patience_takes_a_deadline_along_and_a_later_one_does_not() -> None:
    played = Played(devices=IdealDevices(SHOP), patience_ms=50)
    played.player.play(Stretch(tracks={"saw": CUT}))
    assert [(ms, kind) for ms, kind, _ in played.steps][3:] == [(13_050, "Reading"), (21_050, "Tick"), (22_550, "Tick")]
    played = Played(devices=IdealDevices(SHOP), patience_ms=49)
    played.player.play(Stretch(tracks={"saw": CUT}))
    assert [(ms, kind) for ms, kind, _ in played.steps][3:5] == [(13_000, "Tick"), (21_000, "Tick")]


def test_a_recorded_run_looks_at_the_time_with_its_items_only() -> None:
    played = Played(patience_ms=RECORDED)
    cut = replaced_order(CUT, 0, 1, 2, 4, 5, 6, 8)
    ticks = replaced_order(track((2600, 0), (21_700, 0)), 3, 7)
    played.player.play(Stretch(tracks={"saw": cut}, ticks=ticks))
    assert played.steps == [
        (1000, "Reading", ["tool_started", "gate_commanded"]),
        (2600, "Tick", ["gate_open", "collector_on"]),
        (3000, "Reading", ["tool_stopped"]),
        (13_050, "Reading", ["run_on_ended", "collector_off"]),
        (21_700, "Tick", ["gate_commanded"]),
        (40_000, "Reading", ["gate_shut"]),
    ]


def test_what_comes_among_the_readings_is_stepped_in_its_place() -> None:
    """The same instant: the other event was recorded first, or last."""
    for order, told in ((0, ["reading_rejected", "tool_started"]), (2, ["tool_started", "reading_rejected"])):
        played = Played(devices=IdealDevices(SHOP))
        start = replaced_order(track((500, 100), (1000, 6000)), -1, 1)
        rejected = Timed(ZERO + 1000, order, MessageRejected("tool", "saw", "not a number", "x"))
        played.player.play(Stretch(tracks={"saw": start}, others=[rejected]))
        events = [event for _, _, found in played.steps for event in found]
        assert [event for event in events if event in told] == told


def test_a_sensor_falls_silent_30_s_after_its_last_reading_and_a_late_one_ends_that() -> None:
    played = Played(devices=IdealDevices(SHOP))
    played.player.play(Stretch(tracks={"saw": track((0, 100), (1000, 6000), (3000, 6000), (90_000, 100))}))
    assert [(ms, kind, told[0]) for ms, kind, told in played.steps][2:6] == [
        (22_500, "Tick", "collector_on"),  # a refresh
        (33_000, "Tick", "tool_silent"),
        (42_500, "Tick", "collector_on"),
        (43_000, "Tick", "run_on_ended"),
    ]
    assert played.steps[-1][:2] == (90_000, "Reading")


def test_after_the_last_item_time_goes_on_until_all_is_at_rest_or_to_the_given_moment() -> None:
    played = Played(devices=IdealDevices(SHOP))
    played.player.play(Stretch(tracks={"saw": track((0, 100), (1000, 6000))}))
    assert played.player.run_out(ZERO + 48_999, resting=at_rest) is False
    assert played.player.now_ms == ZERO + 41_000
    assert played.player.run_out(ZERO + 49_000, resting=at_rest) is False
    assert played.player.now_ms == ZERO + 49_000
    assert played.player.run_out(ZERO + 900_000, resting=at_rest) is True
    assert [(ms, told) for ms, _, told in played.steps][1:] == [
        (2500, ["gate_open", "collector_on"]),
        (22_500, ["collector_on"]),
        (31_000, ["tool_silent", "alarm_raised"]),
        (41_000, ["run_on_ended", "collector_off"]),
        (49_000, ["gate_commanded"]),
        (50_500, ["gate_shut"]),
    ]


def test_reports_of_devices_are_waited_for_at_the_end() -> None:
    shop = replace(SHOP, gates=(replace(SHOP.gates[0], reports=True, travel=4.0),))
    played = Played(shop, devices=IdealDevices(shop))
    played.player.play(Stretch(tracks={"saw": track((0, 100), (1000, 6000), (2000, 100))}))
    assert played.player.run_out(ZERO + 4999, resting=at_rest) is False
    assert played.player.run_out(ZERO + 5000, resting=at_rest) is False
    assert played.steps[-1] == (5000, "GateReport", ["gate_open", "collector_on"])


def test_the_mark_of_a_young_reading_reaches_the_rules() -> None:
    """After a silence one reading starts nothing, but one that was surely measured just then does."""
    for mark, starts in ((0, False), (1, True)):
        played = Played(devices=IdealDevices(SHOP))
        readings = track((0, 100), (60_000, 6000), young=(0, mark))
        played.player.play(Stretch(tracks={"saw": readings}))
        assert ("tool_started" in played.steps[-1][2]) is starts


# The state that a replay begins with


def test_a_shop_at_rest_is_connected_adopted_and_shut_and_its_sensors_count_from_then() -> None:
    state = rested(SHOP, ZERO)
    assert state.tools == (ToolUnknown(None, 100.0),)
    assert (state.connected, state.adopted, state.doubts, state.wake_at) == (True, True, (None,), 130.0)
    assert state.gates[0].move == GateShut(98.5), "its start ends just then: the gate was told 1.5 s before"
    assert isinstance(state.collectors[0].phase, Off)
    assert state.collectors[0].still_at < 100.0
    assert state.guard.fans[0].told_on is False


def test_a_gate_that_a_hand_moves_stands_open_where_it_serves_a_tool_and_else_shut() -> None:
    hands = tuple(Gate(name=name, collector="main", commanded=False, reports=True) for name in ("saw", "sweep"))
    told = Gate(name="router", collector="main", reports=True)
    router = replace(SAW, name="router", gates=("router",))
    state = rested(Shop(tools=(SAW, router), gates=(*hands, told), collectors=SHOP.collectors), ZERO)
    assert [type(gate.move) for gate in state.gates] == [GateOpen, GateShut, GateShut]
    assert [gate.live for gate in state.gates] == [True, False, False]


def test_a_motor_is_found_standing_and_its_switch_off() -> None:
    fan = Collector(name="main", reports=True, senses_motor=True)
    state = rested(replace(SHOP, collectors=(fan,)), ZERO)
    assert (state.collectors[0].reported_on, state.collectors[0].drawing) == (False, False)


def test_a_start_that_never_ends_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_LONGEST_MS", 0)
    with pytest.raises(NeverAtRestError) as said:
        rested(SHOP, ZERO)
    text = "the shop does not come to rest within a day of its start, though no device fails"
    assert str(said.value) == text


RUNS = ToolRunning(6.0, 5.0, 4.0, Freshness.FRESH)


@pytest.mark.parametrize(
    ("tool", "rests"),
    [
        (ToolIdle(0.1, 5.0), True),
        (ToolUnknown(None, 5.0), True),
        (RUNS, False),
        (ToolRunOn(0.1, 5.0, 4.0, Freshness.FRESH), False),
        (ToolSilent(ToolIdle(0.1, 5.0), 9.0), True),
        (ToolSilent(RUNS, 9.0), False),
        (ToolSilent(RUNS, 9.0, let_go=True), True),
    ],
)
def test_a_shop_rests_while_no_tool_is_served(tool: ToolState, rests: bool) -> None:
    state = rested(SHOP, ZERO)
    assert at_rest(replace(state, tools=(tool,))) is rests
    assert at_rest(replace(state, tools=(ToolIdle(0.1, 5.0), tool, ToolIdle(0.1, 5.0)))) is rests


def test_the_same_change_is_made_to_the_tools_that_are_named() -> None:
    shop = replace(SHOP, tools=(SAW, replace(SAW, name="other")))
    changed = with_tools(shop, {"other", "gone"}, silent_after=0.0, run_on=3.0)
    assert changed.tools[0] is SAW
    assert (changed.tools[1].silent_after, changed.tools[1].run_on) == (0.0, 3.0)


# A changed run


def beside(changed: Shop) -> tuple[ChangedPlayer, list[tuple[int, str, list[str]]]]:
    steps: list[tuple[int, str, list[str]]] = []

    def hear(ms: int, event: Event, outcome: Outcome) -> None:
        steps.append((ms - ZERO, type(event).__name__, [str(one.event) for one in outcome.findings]))

    return ChangedPlayer(SHOP, changed, rested(SHOP, ZERO), ZERO, hear), steps


def test_a_changed_run_takes_over_the_recorded_state_and_answers_for_itself_where_it_does_otherwise() -> None:
    """The recorded run started at 2.5 A; the changed one wants 7 A, and does nothing."""
    for start_at, told in ((7.0, []), (2.0, [(1000, "Reading", ["tool_started", "gate_commanded"])])):
        shop = replace(SHOP, tools=(replace(SAW, start_at=start_at),))
        player, steps = beside(shop)
        player.follow(
            Stretch(tracks={"saw": track((0, 100), (1000, 6000), (2000, 6000))}), [(ZERO + 1000, OpenGate("saw"))]
        )
        assert steps == told
        assert (player.unread, player.recorded) == ({}, SHOP)


def test_what_a_tools_sensor_said_in_another_measure_is_not_heard_and_its_silence_is_none() -> None:
    shop = replace(SHOP, tools=(replace(SAW, measure=Measure.WATTS),))
    player, steps = beside(shop)
    assert player.unread == {"saw": (Measure.AMPS, Measure.WATTS)}
    said = Timed(ZERO + 1500, 9, Reading("saw", 9.0, retained=True))
    player.follow(Stretch(tracks={"saw": track((0, 100), (1000, 6000), (90_000, 100))}, others=[said]), [])
    assert steps == []
    assert player.shop.tools[0].silent_after == 0.0


def test_a_tool_that_is_new_is_heard() -> None:
    shop = replace(SHOP, tools=(SAW, replace(SAW, name="new", measure=Measure.WATTS)))
    player, _ = beside(shop)
    assert player.unread == {}


def test_the_motors_recorded_readings_count_while_both_runs_told_it_the_same() -> None:
    fan = Collector(name="main", senses_motor=True)
    recorded = replace(SHOP, collectors=(fan,))
    motor = track((0, 0), (500, 0), (3000, 6000), order=10)
    switched: list[TimedCommands] = [[(ZERO + 2500, CollectorOn("main"))], []]
    for follows, told in zip(switched, ([3000], []), strict=True):
        steps: list[tuple[int, Event]] = []

        def hear(ms: int, event: Event, _outcome: Outcome, into: list[tuple[int, Event]] = steps) -> None:
            into.append((ms - ZERO, event))

        player = ChangedPlayer(recorded, recorded, rested(recorded, ZERO), ZERO, hear)
        readings = track((0, 100), (1000, 6000), (3500, 6000))
        player.follow(Stretch(tracks={"saw": readings}, motors={"main": motor}), follows)
        assert [ms for ms, event in steps if event == CollectorReading("main", 6.0)] == told
