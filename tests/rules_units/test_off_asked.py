"""Off asked for over MQTT: off now, by whomever it was switched on, and nothing but a fresh demand starts it again."""

from msgspec.structs import replace
from unit_bench import Bench, commands, events, gate, ready, running, saw_shop, shop, tool

from gatehand.journal.sentences import sentence_of
from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import Shop
from gatehand_rules.state import CoastDown, Freshness, Held, Running, RunOn, ToolIdle, ToolRunning, ToolUnknown


def off(bench: Bench, at: float, because: str = "", by: str = "") -> list[str]:
    return bench.tell(ev.OffAsked("main", because=because, by=by), at)


def serves_a_fresh_start(bench: Bench) -> None:
    bench.is_off(bench.now + 1)
    bench.amps(bench.now + 20, 0.0)
    bench.until(bench.now + 20)
    bench.amps(bench.now + 1, 5.0)
    assert "on main" in commands(bench.is_open(bench.now + 1))
    assert not [one for one in bench.findings if one.event == "command_vetoed"]


def test_a_running_fan_goes_off_its_tools_become_stale_and_say_so() -> None:
    bench = running(saw_shop())
    assert off(bench, 60.0, because="going home", by="page") == [
        "> off main",
        "> raise tool.saw.not_fresh",
        "collector_off/off_asked collector=main coast_down=8 why=going home by=page",
        "start_refused/off_asked tool=saw collector=main amps=5 start_amps=3",
        "alarm_raised/off_asked tool=saw alarm=tool.saw.not_fresh amps=5",
    ]
    assert sentence_of(bench.findings[0]) == (
        "collector switched off on request from page (going home); only a fresh start switches it on again"
    )
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Freshness.STALE)
    bench.is_off(60.1)
    for at in range(61, 100):
        assert "on main" not in commands(bench.amps(float(at), 5.0))
    serves_a_fresh_start(bench)
    assert Alarm("tool", "saw", "not_fresh") not in bench.state.alarms


def test_the_refresh_ends_for_a_collector_that_does_not_report() -> None:
    bench = running(saw_shop(reports=False, refresh=5.0))
    bench.until(70.0)
    off(bench, 71.0)
    assert "on main" not in commands(bench.until(300.0))
    assert isinstance(bench.tool_state(), ToolRunning)


def test_a_run_on_forced_by_the_budget_of_starts_ends() -> None:
    bench = running(saw_shop(starts_per_hour=1))
    bench.amps(60.0, 0.0)
    bench.until(80.0)
    assert bench.fan_state().phase == RunOn("starts_per_hour")
    assert commands(off(bench, 80.0)) == ["off main"]
    bench.is_off(80.1)
    assert "on main" not in commands(bench.until(4000.0))


def test_the_grace_of_an_adopted_fan_ends() -> None:
    bench = Bench(saw_shop())
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.is_open(0.1)
    bench.is_on(0.2)
    bench.tick(0.5)
    assert bench.fan_state().grace_until > 0.5
    assert commands(off(bench, 0.6)) == ["off main"]
    assert bench.fan_state().grace_until < 0


def test_a_fan_that_somebody_switched_on_by_hand_goes_off() -> None:
    bench = ready(saw_shop(rest="leave"))
    bench.tell(ev.HandAsked("saw", on=True), 50.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.tell(ev.HandAsked("saw", on=False), 55.0)
    bench.is_off(55.1)
    bench.until(70.0)
    bench.is_on(70.0)
    bench.until(72.0)
    assert (bench.fan_state().phase, bench.fan_state().by_hand) == (Running(), True)
    assert commands(off(bench, 75.0)) == ["off main"]
    assert (bench.fan_state().phase, bench.fan_state().by_hand) == (CoastDown(), False)
    bench.is_off(75.2)
    assert "on main" not in commands(bench.until(200.0))


def test_a_hand_start_ends_and_asking_anew_starts() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HandAsked("saw", on=True), 50.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    assert "hand_ended/off_asked" in events(off(bench, 60.0))
    bench.is_off(60.1)
    bench.until(80.0)
    bench.tell(ev.HandAsked("saw", on=True), 80.0)
    assert "on main" in commands(bench.is_open(81.0))


def test_gates_that_travel_for_a_start_start_nothing_any_more() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    off(bench, 50.5)
    assert "on main" not in commands(bench.is_open(51.0))
    assert "on main" not in commands(bench.until(100.0))


def test_a_rise_that_had_begun_is_no_fresh_start() -> None:
    bench = ready(shop(tool(start_after=3.0), gate()))
    bench.amps(50.0, 5.0)
    off(bench, 51.0)
    assert bench.tool_state() == ToolUnknown(5.0, 50.0)
    bench.amps(52.0, 5.0)
    bench.is_open(54.0)
    assert "on main" not in commands(bench.until(100.0))


def test_a_held_collector_stays_held_and_is_told_off_once_more() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main", "filter"), 50.0)
    assert commands(off(bench, 55.0)) == ["off main"]
    assert bench.fan_state().phase == Held("filter")


def test_a_fan_that_was_tripped_is_not_forgiven_by_it() -> None:
    bench = running(saw_shop())
    bench.put(collectors=(replace(bench.fan_state(), phase=CoastDown(tripped=True)),))
    off(bench, 60.0)
    assert bench.fan_state().phase == CoastDown(tripped=True)


def test_asked_before_what_is_retained_is_in_the_fan_is_not_adopted() -> None:
    bench = Bench(saw_shop())
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.CollectorReport("main", on=True, retained=True), 0.1)
    assert commands(off(bench, 0.2)) == ["off main"]
    bench.is_open(0.4)
    bench.until(0.5)
    assert "on main" not in commands(bench.until(30.0))
    assert bench.fan_state().phase != Running()


def test_asked_before_what_is_retained_is_in_a_fan_switched_on_again_is_not_adopted_either() -> None:
    """It stood meanwhile, so that it is nobody's from before the daemon: both layers take it so."""
    bench = Bench(saw_shop())
    bench.tell(ev.BrokerConnected(), 0.0)
    off(bench, 0.1)
    bench.is_off(0.2)
    bench.is_on(0.3)
    assert "off main" in commands(bench.tick(0.5))
    assert bench.fan_state().phase == CoastDown()
    bench.is_open(1.0)
    bench.is_off(2.0)
    assert not [one for one in bench.findings if one.event == "command_vetoed"]


def test_an_old_one_and_one_for_nobody_are_ignored_with_a_finding() -> None:
    bench = running(saw_shop())
    assert bench.tell(ev.OffAsked("main", retained=True), 60.0) == [
        "message_ignored/retained collector=main what=OffAsked"
    ]
    assert events(bench.tell(ev.OffAsked("nobody"), 60.0)) == ["message_ignored/unknown_name"]
    assert bench.fan_state().on_phase


def test_asking_twice_tells_off_twice_and_refuses_once() -> None:
    bench = running(saw_shop())
    off(bench, 60.0)
    assert off(bench, 61.0) == ["> off main", "collector_off/off_asked collector=main coast_down=8 why=None"]


def two() -> Shop:
    return shop(
        tool(),
        gate(),
        tool("lathe", collector="other"),
        gate("lathe", collector="other"),
        saw_shop().collectors[0],
        replace(saw_shop().collectors[0], name="other"),
    )


def test_another_collector_is_left_alone() -> None:
    bench = running(two())
    bench.tell(ev.OffAsked("other"), 60.0)
    assert bench.fan_state().on_phase
    assert not isinstance(bench.tool_state(), ToolIdle)
