"""Every kind of event at the door: who it is for, what is ignored, devices that come and go, the bin."""

import pytest
from unit_bench import Bench, commands, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import readings
from gatehand_rules.findings import Alarm
from gatehand_rules.readings import quick
from gatehand_rules.shop import Tool
from gatehand_rules.state import (
    CoastDown,
    Freshness,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateState,
    GateUnknown,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.words import Position

# --- not for anybody here


@pytest.mark.parametrize(
    ("event", "line"),
    [
        (ev.Reading("x", 5.0), "message_ignored/unknown_name what=Reading"),
        (ev.GateReport("x", Position.OPEN), "message_ignored/unknown_name gate=x what=GateReport"),
        (ev.ButtonPressed("x"), "message_ignored/unknown_name gate=x what=ButtonPressed"),
        (ev.HandAsked("x", on=True), "message_ignored/unknown_name gate=x what=HandAsked"),
        (ev.StopReport("x", active=True), "message_ignored/unknown_name what=StopReport"),
        (ev.CollectorReport("x", on=True), "message_ignored/unknown_name collector=x what=CollectorReport"),
        (ev.CollectorReading("x", 9.0), "message_ignored/unknown_name collector=x what=CollectorReading"),
        (ev.CollectorReading("main", 9.0), "message_ignored/unknown_name collector=main what=CollectorReading"),
        (ev.BinReport("x", full=True), "message_ignored/unknown_name collector=x what=BinReport"),
        (ev.ResetAsked("x"), "message_ignored/unknown_name collector=x what=ResetAsked"),
        (ev.HoldAsked("x"), "message_ignored/unknown_name collector=x what=HoldAsked"),
        (ev.DeviceOnline("tool", "x", online=False), "message_ignored/unknown_name what=DeviceOnline"),
        (ev.DeviceOnline("gate", "x", online=True), "message_ignored/unknown_name what=DeviceOnline"),
        (ev.DeviceOnline("stop", "x", online=False), "message_ignored/unknown_name what=DeviceOnline"),
    ],
)
def test_what_is_for_nobody_here_is_ignored_and_says_so(event: ev.Event, line: str) -> None:
    bench = ready(saw_shop())
    before = bench.state
    assert bench.tell(event, 50.0) == [line]
    assert bench.state == before


def test_a_report_of_what_does_not_report_is_ignored() -> None:
    bench = ready(shop(tool(), gate(reports=False), fan(reports=False)))
    assert bench.tell(ev.GateReport("saw", Position.OPEN), 50.0) == [
        "message_ignored/unknown_name gate=saw what=GateReport"
    ]
    assert bench.is_on(50.0) == ["message_ignored/unknown_name collector=main what=CollectorReport"]


def test_an_old_reading_is_rejected() -> None:
    bench = ready(saw_shop())
    assert bench.tell(ev.Reading("saw", 5.0, retained=True), 50.0) == ["reading_rejected/retained tool=saw amps=5"]
    assert bench.tool_state() == ToolIdle(0.0, 0.2)


@pytest.mark.parametrize(
    ("event", "line"),
    [
        (ev.MessageRejected("tool", "saw", "no number", "nan"), "tool=saw why=no number shown=nan"),
        (ev.MessageRejected("gate", "saw", "no word", "ajar"), "gate=saw why=no word shown=ajar"),
        (ev.MessageRejected("collector", "main", "no word"), "collector=main why=no word shown="),
        (ev.MessageRejected("stop", "estop", "no word", "x"), "why=no word shown=x stop=estop"),
    ],
)
def test_what_is_no_value_changes_nothing_and_says_whose_it_was(event: ev.Event, line: str) -> None:
    bench = ready(saw_shop())
    before = bench.state
    assert bench.tell(event, 50.0) == [f"reading_rejected/bad_value {line}"]
    assert bench.state == before


# --- the bin


def test_a_full_bin_is_told_once_and_its_end_once() -> None:
    bench = ready(saw_shop(on_bin_full="warn"))
    assert bench.tell(ev.BinReport("main", full=False), 50.0) == []
    assert bench.tell(ev.BinReport("main", full=True), 50.0) == [
        "> raise collector.main.bin_full",
        "bin_full/bin_full collector=main then=warn",
        "alarm_raised/bin_full collector=main alarm=collector.main.bin_full then=warn",
    ]
    assert bench.tell(ev.BinReport("main", full=True, retained=True), 51.0) == []
    assert bench.tell(ev.BinReport("main", full=False), 52.0) == [
        "> clear collector.main.bin_full",
        "bin_cleared/bin_full collector=main",
        "alarm_cleared/bin_full collector=main alarm=collector.main.bin_full",
    ]


# --- devices that go and come


def gone(bench: Bench, at: float, kind: str = "tool", name: str = "saw", *, online: bool = False) -> list[str]:
    return bench.tell(ev.DeviceOnline(kind, name, online), at)  # type: ignore[arg-type]


def test_a_sensor_that_is_gone_is_silent() -> None:
    bench = running(saw_shop())
    assert gone(bench, 60.0) == [
        "> raise tool.saw.offline",
        "> raise tool.saw.silent",
        "alarm_raised/offline tool=saw alarm=tool.saw.offline",
        "device_offline/offline tool=saw",
        "tool_silent/offline tool=saw collector=main was=running silent_after=0 last_amps=5 run_on=4",
        "alarm_raised/offline tool=saw alarm=tool.saw.silent silent_after=0",
    ]
    assert bench.tool_state() == ToolSilent(ToolRunning(5.0, 50.0, 50.0, Freshness.FRESH), 60.0)
    assert gone(bench, 61.0) == []
    assert commands(bench.until(64.0)) == ["off main"]


def test_a_sensor_that_speaks_is_not_gone() -> None:
    """A broker killed within its autosave tells of a will that is long over: its alarm stood until the next restart."""
    bench = ready(saw_shop())
    gone(bench, 50.0)
    said = bench.tell(ev.Reading("saw", 0.0), 51.0)
    assert "> clear tool.saw.offline" in said
    assert "device_online/offline tool=saw" in said
    assert commands(gone(bench, 52.0)) == ["raise tool.saw.offline", "raise tool.saw.silent"]


def test_a_device_that_is_back_says_so_once() -> None:
    bench = ready(saw_shop())
    assert gone(bench, 50.0, online=True) == []
    gone(bench, 51.0, "collector", "main")
    assert gone(bench, 52.0, "collector", "main", online=True) == [
        "> clear collector.main.offline",
        "device_online/offline collector=main",
        "alarm_cleared/offline collector=main alarm=collector.main.offline",
    ]
    assert gone(bench, 53.0, "collector", "main", online=True) == []


@pytest.mark.parametrize(
    ("silent_after", "was", "back"),
    [
        (0.0, ToolIdle(0.0, 40.0), True),
        (0.0, ToolUnknown(2.5, 40.0), True),
        (0.0, ToolRunning(5.0, 40.0, 40.0, Freshness.FRESH), False),
        (0.0, ToolMuted(5.0, 40.0), False),
        (500.0, ToolIdle(0.0, 40.0), False),
        (0.5, ToolIdle(0.0, 40.0), False),
    ],
)
def test_a_sensor_that_speaks_on_change_is_back_at_once_if_it_was_at_rest(
    silent_after: float, was: ToolState, *, back: bool
) -> None:
    bench = ready(shop(tool(silent_after=silent_after), gate()))
    bench.put(tools=(was,))
    gone(bench, 50.0)
    said = gone(bench, 60.0, online=True)
    assert isinstance(bench.tool_state(), ToolSilent) is not back
    assert ("> clear tool.saw.silent" in said) is back
    if back:
        assert bench.tool_state() == was
        assert "alarm_cleared/offline tool=saw alarm=tool.saw.silent" in said


def test_a_gate_that_comes_back_changes_no_tool() -> None:
    bench = ready(saw_shop())
    gone(bench, 50.0)
    gone(bench, 50.5, "gate")
    gone(bench, 51.0, "gate", online=True)
    assert isinstance(bench.tool_state(), ToolSilent)


@pytest.mark.parametrize(
    ("move", "after"),
    [
        (GateOpen(1.0), GateUnknown()),
        (GateShut(1.0), GateUnknown()),
        (GateOpening(49.5, 49.5), GateOpening(49.5, 49.5)),
        (GateFault(Position.SHUT, 1.0), GateFault(Position.SHUT, 1.0)),
    ],
)
def test_a_gate_at_rest_that_is_gone_is_of_unknown_position(move: GateMove, after: GateMove) -> None:
    bench = ready(saw_shop())
    bench.put(gates=(GateState(move=move, reported=Position.OPEN),))
    assert events(gone(bench, 50.0, "gate"))[:2] == ["alarm_raised/offline", "device_offline/offline"]
    assert bench.gate_state() == GateState(move=after)  # what it said last is void


def test_a_gate_that_is_gone_while_its_fan_may_turn_stays_what_it_was() -> None:
    bench = running(saw_shop())
    assert commands(gone(bench, 60.0, "gate")) == ["raise gate.saw.offline"]
    assert bench.gate_state().move == GateOpen(50.0)
    coasting = ready(saw_shop(reports=False))
    coasting.put(
        gates=(GateState(move=GateOpen(1.0)),),
        collectors=(type(coasting.fan_state())(phase=CoastDown(), still_at=50.001),),
    )
    gone(coasting, 50.0, "gate")
    assert coasting.gate_state().move == GateOpen(1.0)


def test_each_gate_asks_its_own_fan() -> None:
    place = shop(tool(), gate("far", collector="other"), gate("saw"), fan(), fan("other"))
    bench = running(place)
    bench.put(gates=(GateState(move=GateOpen(1.0)), bench.gate_state(1)))
    gone(bench, 60.0, "gate", "far")
    assert bench.gate_state(0).move == GateUnknown()


# --- the short way of a plain reading


PLAIN = tool(start_after=1.0, stop_after=1.0)


@pytest.mark.parametrize(
    ("state", "amps", "after"),
    [
        (ToolRunning(5.0, 40.0, 30.0, Freshness.FRESH), 2.0, ToolRunning(2.0, 50.0, 30.0, Freshness.FRESH)),
        (ToolRunning(5.0, 40.0, 30.0, Freshness.STALE), 9.0, ToolRunning(9.0, 50.0, 30.0, Freshness.STALE)),
        (ToolRunning(5.0, 40.0, 30.0, Freshness.FRESH), 1.999, None),
        (ToolRunning(5.0, 40.0, 30.0, Freshness.UNCONFIRMED), 5.0, None),
        (ToolRunning(5.0, 40.0, 30.0, Freshness.FRESH, 40.0), 5.0, None),
        (ToolIdle(0.0, 40.0), 1.499, ToolIdle(1.499, 50.0)),
        (ToolIdle(0.0, 40.0), 1.5, None),
        (ToolIdle(0.0, 40.0, SubthresholdRise(40.0, 1.6)), 0.0, None),
        (ToolRunOn(0.0, 40.0, 40.0, Freshness.FRESH), 1.499, ToolRunOn(1.499, 50.0, 40.0, Freshness.FRESH)),
        (ToolRunOn(0.0, 40.0, 40.0, Freshness.FRESH), 1.5, None),
        (ToolRunOn(0.0, 40.0, 40.0, Freshness.FRESH, SubthresholdRise(40.0, 1.6)), 0.0, None),
        (ToolUnknown(0.0, 40.0), 0.0, None),
        (ToolMuted(5.0, 40.0), 5.0, None),
        (ToolSilent(ToolIdle(0.0, 40.0), 45.0), 0.0, None),
    ],
)
def test_which_readings_decide_nothing(state: ToolState, amps: float, after: ToolState | None) -> None:
    assert quick(PLAIN, state, amps, 50.0) == after


class Watched:
    """Counts how often the short way gave an answer."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.taken = 0
        monkeypatch.setattr(readings, "quick", self._quick)

    def _quick(self, tool: Tool, state: ToolState, amps: float, now: float) -> ToolState | None:
        found = quick(tool, state, amps, now)
        self.taken += found is not None
        return found


@pytest.mark.parametrize(
    ("event", "at", "taken"),
    [
        (ev.Reading("saw", 1.0), 60.0, 1),
        (ev.Reading("saw", 1.0, retained=True), 60.0, 0),
        (ev.Reading("nobody", 1.0), 60.0, 0),
        (ev.Reading("saw", 1.0), 100.1, 1),
        (ev.Reading("saw", 1.0), 100.2, 0),
    ],
)
def test_the_short_way_is_for_a_live_reading_before_any_deadline(
    event: ev.Event, at: float, taken: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = ready(shop(tool(silent_after=100.0), gate()))
    watched = Watched(monkeypatch)
    bench.step(event, at)
    assert watched.taken == taken


def test_the_short_way_changes_its_tool_alone() -> None:
    place = shop(tool("a", silent_after=100.0), tool("b"), tool("c"), gate("a"), gate("b"), gate("c"))
    bench = ready(place)
    before = bench.state
    assert bench.amps(60.0, -1.0, "b") == []
    assert bench.state.tools == (before.tools[0], ToolIdle(0.0, 60.0), before.tools[2])
    for name in ("gates", "collectors", "stops", "alarms", "connected", "settle_at", "adopted", "stopping", "wake_at"):
        assert getattr(bench.state, name) == getattr(before, name)


def test_the_short_way_tells_the_interlock() -> None:
    bench = ready(saw_shop())
    bench.amps(60.0, 5.0)
    bench.tell(ev.HoldAsked("main"), 61.0)
    bench.amps(62.0, 0.0)
    bench.until(70.0)
    assert bench.state.guard.low == (True,)


@pytest.mark.parametrize("id_", ["", "gate", "gate.saw", "gate..fault", "gate.saw.fault.more", "..", "gate.saw."])
def test_what_is_no_id_of_an_alarm_is_none(id_: str) -> None:
    assert Alarm.of(id_) is None


def test_an_alarm_is_known_by_its_id() -> None:
    for one in (Alarm("stop", "a", "active"), Alarm("stop", "a_unclear", "active"), Alarm("stop", "a", "unclear")):
        assert Alarm.of(one.id) == one
