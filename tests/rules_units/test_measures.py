"""A tool says that it runs by amps, watts or a contact: each at its boundaries, with its own facts, and edited.

What holds for amps holds for the others in their unit; the other files of this folder try it at length with amps.
"""

from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, events, fan, gate, ready, shop, tool

from gatehand_rules import Shop, readings
from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm, Happened, Rule
from gatehand_rules.reshape import adopt_shop
from gatehand_rules.shop import Collector, Tool
from gatehand_rules.state import Freshness, ToolIdle, ToolMuted, ToolRunning, ToolSilent, ToolUnknown
from gatehand_rules.words import Measure

AMPS: dict[str, Any] = {"measure": Measure.AMPS, "start_at": 3.0, "stop_at": 2.0}
WATTS: dict[str, Any] = {"measure": Measure.WATTS, "start_at": 180.0, "stop_at": 120.0}
CONTACT: dict[str, Any] = {"measure": Measure.RUNNING, "start_at": 1.0, "stop_at": 1.0}


def saw(sensor: dict[str, Any], **more: Any) -> Shop:  # noqa: ANN401 - the fields of a tool
    return shop(tool(**(sensor | more)), gate())


@pytest.mark.parametrize(
    ("sensor", "below", "at", "said"),
    [
        (AMPS, 2.999, 3.0, "amps=3 start_amps=3"),
        (WATTS, 179.999, 180.0, "watts=180 start_watts=180"),
        (CONTACT, 0.0, 1.0, "running=True"),
    ],
    ids=["amps", "watts", "running"],
)
def test_at_its_threshold_it_starts_and_the_line_names_what_was_measured(
    sensor: dict[str, Any], below: float, at: float, said: str
) -> None:
    bench = ready(saw(sensor))
    assert bench.amps(50.0, below) == []
    assert bench.amps(51.0, at)[:2] == [
        "> open saw",
        f"tool_started/start_threshold tool=saw collector=main {said} start_after=0",
    ]


@pytest.mark.parametrize(
    ("sensor", "high", "still", "low", "said"),
    [
        (AMPS, 5.0, 2.0, 1.999, "amps=1.999 stop_amps=2"),
        (WATTS, 1200.0, 120.0, 119.999, "watts=119.999 stop_watts=120"),
        (CONTACT, 1.0, 1.0, 0.0, "running=False"),
    ],
    ids=["amps", "watts", "running"],
)
def test_below_its_stop_threshold_it_stops_and_at_it_nothing_changes(
    sensor: dict[str, Any], high: float, still: float, low: float, said: str
) -> None:
    bench = ready(saw(sensor))
    bench.amps(50.0, high)
    bench.is_open(51.0)
    bench.is_on(51.1)
    assert bench.amps(52.0, still) == []
    (line,) = (one for one in bench.amps(53.0, low) if one.startswith("tool_stopped"))
    assert line == f"tool_stopped/stop_threshold tool=saw collector=main {said} stop_after=0 ran_for=3 run_on=4"


def test_a_contact_waits_for_its_delays_like_any_sensor() -> None:
    bench = ready(saw(CONTACT, start_after=2.0, stop_after=1.5))
    bench.amps(50.0, 1.0)
    assert bench.tick(51.999) == []
    assert "tool_started/start_threshold" in events(bench.tick(52.0))
    bench.amps(60.0, 0.0)
    bench.amps(61.0, 1.0)  # it dropped out for a second
    assert not any(each.startswith("tool_stopped") for each in events(bench.until(70.0)))
    bench.amps(70.0, 0.0)
    assert "tool_stopped/stop_threshold" in events(bench.tick(71.5))


def test_a_contact_shorter_than_start_after_is_told_without_a_figure_that_it_has_not() -> None:
    bench = ready(saw(CONTACT, start_after=2.0))
    bench.amps(50.0, 1.0)
    said = bench.amps(51.0, 0.0)
    line = "start_missed/shorter_than_start_after tool=saw collector=main above_for=1 start_after=2 lasted=1"
    assert said == [line]
    assert "peak" not in said[0]


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_no_word_of_a_contact_is_a_rise_below_its_threshold(value: float) -> None:
    """It knows nothing between: whatever it says for however long, no line says that it stayed below."""
    bench = ready(saw(CONTACT, start_after=100.0))
    for turn in range(40):
        bench.amps(50.0 + turn, value if turn % 2 else 0.0)
    bench.until(100.0)
    missed = [one.rule for one in bench.findings if one.event is Happened.START_MISSED]
    assert missed == [Rule.SHORTER_THAN_START_AFTER] * (19 if value else 0)


def test_what_a_reading_of_a_contact_decides_is_whether_it_is_active() -> None:
    machine = tool(**CONTACT)
    idle, running = ToolIdle(0.0, 1.0), ToolRunning(1.0, 1.0, 1.0, Freshness.FRESH)
    assert readings.quick(machine, idle, 0.0, 2.0) == ToolIdle(0.0, 2.0)
    assert readings.quick(machine, idle, 1.0, 2.0) is None
    assert readings.quick(machine, running, 1.0, 2.0) == ToolRunning(1.0, 2.0, 1.0, Freshness.FRESH)
    assert readings.quick(machine, running, 0.0, 2.0) is None


@pytest.mark.parametrize(
    ("sensor", "value", "said", "last"),
    [
        (AMPS, 5.0, {"amps": 5.0}, {"last_amps": 5.0}),
        (WATTS, 900.0, {"watts": 900.0}, {"last_watts": 900.0}),
        (CONTACT, 1.0, {"running": True}, {"last_running": True}),
        (CONTACT, 0.0, {"running": False}, {"last_running": False}),
        (CONTACT, None, {"running": None}, {"last_running": None}),
        (WATTS, None, {"watts": None}, {"last_watts": None}),
    ],
)
def test_a_reading_is_named_after_what_is_measured(
    sensor: dict[str, Any], value: float | None, said: dict[str, Any], last: dict[str, Any]
) -> None:
    machine = tool(**sensor)
    assert machine.reading_fact(value) == said
    assert machine.reading_fact(value, "last_") == last


def test_a_contact_has_no_threshold_to_name() -> None:
    contact, meter = tool(**CONTACT), tool(**WATTS)
    assert (contact.start_fact(), contact.stop_fact(), contact.peak_fact(1.0)) == ({}, {}, {})
    assert meter.start_fact() | meter.stop_fact() == {"start_watts": 180.0, "stop_watts": 120.0}
    assert meter.peak_fact(90.0) == {"peak": 90.0}


def test_a_contact_with_thresholds_of_its_own_is_refused() -> None:
    with pytest.raises(ValueError, match="tool saw: a contact is no number and has no thresholds"):
        tool(**(CONTACT | {"start_at": 2.0}))
    with pytest.raises(ValueError, match="tool saw: a contact is no number and has no thresholds"):
        tool(**(CONTACT | {"stop_at": 0.5}))
    with pytest.raises(ValueError, match="collector main: a contact is no number and has no threshold"):
        fan(measure=Measure.RUNNING)


# --- after a silence, and by a retained word


def broker_away(bench: Bench, at: float) -> None:
    bench.tell(ev.BrokerLost(at), at)
    bench.tell(ev.BrokerConnected(), at + 1.0)
    bench.until(at + 1.5)


@pytest.mark.parametrize("silent_after", [0.0, 600.0])
def test_after_a_silence_a_contact_is_believed_when_nothing_contrary_has_come_for_3_s(silent_after: float) -> None:
    bench = ready(saw(CONTACT, silent_after=silent_after))
    broker_away(bench, 100.0)
    bench.amps(120.0, 1.0)
    assert "open saw" not in commands(bench.until(122.999))
    assert "open saw" in commands(bench.until(123.0))


def test_after_a_silence_a_meter_that_speaks_by_the_clock_is_not_believed_by_time_alone() -> None:
    bench = ready(saw(WATTS, silent_after=600.0))
    broker_away(bench, 100.0)
    bench.amps(120.0, 900.0)
    assert bench.until(200.0) == []
    assert "open saw" in commands(bench.amps(200.0, 900.0)), "the second one says the same"


def test_a_contact_that_is_taken_back_within_3_s_starts_nothing() -> None:
    bench = ready(saw(CONTACT))
    broker_away(bench, 100.0)
    bench.amps(120.0, 1.0)
    said = bench.amps(122.9, 0.0) + bench.until(140.0)
    assert commands(said) == []
    assert "start_missed/not_confirmed tool=saw collector=main above_for=2.9 lasted=2.9" in said


def test_a_retained_word_starts_nothing_and_clear_makes_it_idle() -> None:
    bench = Bench(saw(CONTACT))
    bench.tell(ev.BrokerConnected(), 0.0)
    said = bench.tell(ev.Reading("saw", 1.0, retained=True), 0.1)
    assert said == ["reading_rejected/retained tool=saw running=True"]
    assert isinstance(bench.tool_state(), ToolUnknown)
    bench.tell(ev.Reading("saw", 0.0, retained=True), 0.2)
    assert isinstance(bench.tool_state(), ToolIdle)
    bench.until(5.0)
    assert "tool_started/after_silence" in events(bench.amps(5.0, 1.0) + bench.until(8.0)), "now seen to start"


def test_a_contact_active_when_it_is_first_heard_starts_nothing() -> None:
    bench = Bench(saw(CONTACT))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.until(1.0)
    said = bench.amps(1.0, 1.0)
    assert "start_refused/first_seen_drawing tool=saw collector=main running=True" in said
    assert "alarm_raised/first_seen_drawing tool=saw alarm=tool.saw.not_fresh running=True" in said


def test_a_contact_that_is_muted_is_served_again_after_it_was_clear() -> None:
    bench = ready(saw(CONTACT, run_limit=100.0))
    bench.amps(50.0, 1.0)
    said = bench.until(151.0)
    assert "tool_muted/run_limit tool=saw running=True" in said
    assert isinstance(bench.tool_state(), ToolMuted)
    bench.amps(160.0, 0.0)
    assert "tool_started/start_threshold" in events(bench.amps(165.0, 1.0))


def test_what_says_no_word_of_its_own_changes_nothing() -> None:
    bench = ready(saw(CONTACT))
    bench.amps(50.0, 1.0)
    before = bench.tool_state()
    said = bench.tell(ev.MessageRejected("tool", "saw", "running: found another word, want '1' or '0'", "maybe"), 60.0)
    assert events(said)[0] == "reading_rejected/bad_value"
    assert bench.tool_state() == before
    bench.until(500.0)
    assert not isinstance(bench.tool_state(), ToolSilent)


# --- the collector's motor


@pytest.mark.parametrize(
    ("sensor", "below", "at"),
    [
        ({"measure": Measure.AMPS, "turns_at": 2.0}, 1.999, 2.0),
        ({"measure": Measure.WATTS, "turns_at": 300.0}, 299.999, 300.0),
        ({"measure": Measure.RUNNING, "turns_at": 1.0}, 0.0, 1.0),
    ],
    ids=["amps", "watts", "running"],
)
def test_a_motor_turns_at_its_threshold_to_both_layers(sensor: dict[str, Any], below: float, at: float) -> None:
    bench = ready(shop(tool(), gate(), fan(reports=False, senses_motor=True, **sensor)))
    bench.tell(ev.CollectorReading("main", below), 51.0)
    assert bench.fan_state().drawing is bench.state.guard.fans[0].drawing is False
    said = bench.tell(ev.CollectorReading("main", at), 52.0)
    assert bench.fan_state().drawing is bench.state.guard.fans[0].drawing is True
    assert "off main" in commands(said), "it turns against shut gates (I4)"


# --- another sensor, by an edit


def edited(bench: Bench, changed: Tool | Collector) -> None:
    old = bench.shop
    if isinstance(changed, Tool):
        bench.shop = replace(old, tools=(changed,))
    else:
        bench.shop = replace(old, collectors=(changed,))
    bench.state = adopt_shop(old, bench.shop, bench.state, bench.now).state


@pytest.mark.parametrize("later", [WATTS, CONTACT], ids=["watts", "running"])
def test_another_sensor_has_to_show_the_tool_idle_before_it_starts_anything(later: dict[str, Any]) -> None:
    """What was read in ampere says nothing in watts: 1.2 A at rest is no contact that is active."""
    bench = ready(saw(AMPS))
    bench.amps(50.0, 1.2)
    edited(bench, tool(**later))
    assert bench.tool_state() == ToolUnknown(None, 50.0)
    assert not bench.state.guard.low[0]
    high = later["start_at"] * 2 if later is WATTS else 1.0
    said = bench.amps(55.0, high) + bench.until(70.0)
    assert commands(said) == ["raise tool.saw.not_fresh"]
    assert Alarm("tool", "saw", "not_fresh") in bench.state.alarms


def test_the_same_sensor_with_another_threshold_keeps_what_it_said() -> None:
    bench = ready(saw(WATTS))
    bench.amps(50.0, 20.0)
    edited(bench, tool(**(WATTS | {"start_at": 200.0})))
    assert isinstance(bench.tool_state(), ToolIdle)


def test_another_sensor_of_the_motor_has_said_nothing_yet() -> None:
    place = shop(tool(), gate(), fan(reports=False, senses_motor=True))
    bench = ready(place)
    bench.tell(ev.CollectorReading("main", 1.5), 51.0)
    assert bench.fan_state().drawing is False
    edited(bench, fan(reports=False, senses_motor=True, measure=Measure.RUNNING, turns_at=1.0))
    assert bench.fan_state().drawing is None
    assert bench.state.guard.fans[0].drawing is None
