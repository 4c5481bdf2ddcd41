"""While the stop contacts are not heard nothing starts and no reset counts; what waited starts when they are."""

from typing import Any

from msgspec.structs import replace
from unit_bench import READY, Bench, fan, gate, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import gaps, interlock
from gatehand_rules.commands import CollectorOn
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.reshape import adopt_shop
from gatehand_rules.shop import StopContact
from gatehand_rules.state import Held, Opening, collector_word
from gatehand_rules.step import step
from gatehand_rules.words import CollectorWord, Position

ALARM = "daemon.main.stops_unheard"
STOP = StopContact(name="emergency", collectors=("main",))


def ready(**more: Any) -> Bench:  # noqa: ANN401 - the fields of a collector
    """Saw, gate and collector with a stop contact, at rest."""
    bench = Bench(shop(tool(), gate(), fan(**more), STOP))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.CollectorReport("main", on=False, retained=True), 0.1)
    bench.tell(ev.Tick(), 0.5)
    bench.is_off(1.0)
    bench.is_shut(1.0)
    bench.amps(READY - 1, 0.1)
    return bench


def waiting(bench: Bench) -> Bench:
    """Unheard since 60 s, a cut since 61 s whose gate is open at 62 s."""
    bench.tell(ev.StopsLost("cut off"), 60.0)
    bench.amps(61.0, 5.0)
    bench.is_open(62.0)
    return bench


def ons(commands: tuple[object, ...]) -> list[object]:
    return [each for each in commands if isinstance(each, CollectorOn)]


def test_a_cut_waits_for_its_start_until_the_stop_contacts_are_heard() -> None:
    bench = waiting(ready())
    assert isinstance(bench.fan_state().phase, Opening)
    waited = [each for each in bench.findings if each.event is Happened.COLLECTOR_WAITED]
    assert [each.rule for each in waited] == [Rule.STOPS_UNHEARD]
    assert dict(waited[0].facts)["unheard_for"] == 2.0
    assert not ons(bench.step(ev.Tick(), 300.0).commands)
    assert ons(bench.step(ev.StopsHeard(), 400.0).commands)


def test_the_wait_is_told_once() -> None:
    bench = waiting(ready())
    bench.tell(ev.StopsLost("again"), 63.0)
    bench.amps(64.0, 6.0)
    bench.tell(ev.Tick(), 70.0)
    assert sum(each.event is Happened.COLLECTOR_WAITED for each in bench.findings) == 1


def test_what_is_read_anew_decides_what_waited() -> None:
    bench = waiting(ready())
    bench.tell(ev.StopReport("emergency", active=True, retained=True), 65.0)
    assert isinstance(bench.fan_state().phase, Held)
    assert not ons(bench.step(ev.StopsHeard(), 65.1).commands)


def test_a_running_fan_runs_on_and_is_refreshed_but_not_started_again() -> None:
    bench = ready(refresh=20.0)
    bench.amps(51.0, 5.0)
    bench.is_open(51.5)
    bench.is_on(51.6)
    bench.tell(ev.StopsLost("cut off"), 60.0)
    assert ons(bench.step(ev.Tick(), 72.0).commands)
    assert not any(each.event is Happened.COMMAND_VETOED for each in bench.findings)


def test_an_on_that_no_switch_has_answered_is_not_repeated_into_an_unheard_stop() -> None:
    bench = ready()
    bench.amps(51.0, 5.0)
    assert ons(bench.step(ev.GateReport("saw", Position.OPEN), 52.0).commands)
    bench.tell(ev.StopsLost("cut off"), 53.0)
    for at in (57.0, 62.0, 67.0):
        assert not ons(bench.step(ev.Tick(), at).commands)
    bench.tell(ev.StopsHeard(), 70.0)
    assert ons(bench.step(ev.Tick(), 75.0).commands)


def test_the_alarm_stands_after_two_seconds_and_ends_when_they_are_heard() -> None:
    bench = ready()
    bench.tell(ev.StopsLost("cut off"), 60.0)
    assert bench.state.wake_at == 62.0
    bench.tell(ev.Tick(), 61.999)
    assert gaps.ALARM not in bench.state.alarms
    bench.tell(ev.Tick(), 62.0)
    assert gaps.ALARM in bench.state.alarms
    bench.tell(ev.StopsHeard(), 80.0)
    assert gaps.ALARM not in bench.state.alarms


def test_a_short_gap_raises_no_alarm() -> None:
    bench = ready()
    bench.tell(ev.StopsLost("cut off"), 60.0)
    bench.tell(ev.StopsHeard(), 61.9)
    bench.tell(ev.Tick(), 100.0)
    assert not any(each.event is Happened.ALARM_RAISED for each in bench.findings)


def test_no_line_says_that_something_was_lost_at_a_daemons_start() -> None:
    bench = Bench(shop(tool(), gate(), STOP))
    bench.tell(ev.StopsLost(), 0.0)
    assert not any(each.event is Happened.STOPS_LOST for each in bench.findings)
    assert bench.state.stops_lost_at == 0.0


def test_a_reset_counts_only_while_the_stop_contacts_are_heard() -> None:
    bench = ready()
    bench.tell(ev.HoldAsked("main", "filter"), 60.0)
    bench.tell(ev.StopsLost("cut off"), 61.0)
    bench.tell(ev.ResetAsked("main"), 70.0)
    assert isinstance(bench.fan_state().phase, Held)
    assert bench.state.guard.fans[0].latched
    refused = [each for each in bench.findings if each.event is Happened.RESET_REFUSED]
    assert [each.rule for each in refused] == [Rule.STOPS_UNHEARD]
    bench.tell(ev.StopsHeard(), 80.0)
    bench.tell(ev.ResetAsked("main"), 85.0)
    assert not isinstance(bench.fan_state().phase, Held)
    assert not bench.state.guard.fans[0].latched


def test_the_interlock_holds_back_an_on_by_its_own_record() -> None:
    bench = waiting(ready())
    armed = replace(bench.state.guard.fans[0], armed=True)
    guard = replace(bench.state.guard, fans=(armed,))
    _, passed, vetoes = interlock.judge(bench.shop, guard, (CollectorOn("main"),), 63.0)
    assert (passed, [each.rule for each in vetoes]) == ((), [Rule.STOPS_UNHEARD])
    heard = interlock.observe(bench.shop, guard, ev.StopsHeard(), 63.0)
    _, passed, vetoes = interlock.judge(bench.shop, heard, (CollectorOn("main"),), 63.0)
    assert (passed, vetoes) == ((CollectorOn("main"),), ())


def test_a_missed_start_names_the_stop_contacts() -> None:
    bench = waiting(ready())
    bench.amps(63.0, 0.0)
    bench.tell(ev.Tick(), 80.0)
    missed = [each for each in bench.findings if each.event is Happened.START_MISSED]
    assert [each.rule for each in missed] == [Rule.STOPS_UNHEARD]


def test_the_last_stop_removed_ends_the_wait_and_its_alarm() -> None:
    bench = waiting(ready())
    bench.tell(ev.Tick(), 63.0)
    assert gaps.ALARM in bench.state.alarms
    without = saw_shop()
    outcome = adopt_shop(bench.shop, without, bench.state, 64.0)
    assert outcome.state.stops_lost_at is None
    assert gaps.ALARM not in outcome.state.alarms
    assert ons(step(without, outcome.state, ev.Tick(), 64.1).commands)


def test_a_reading_that_decides_nothing_forgets_no_loss() -> None:
    bench = ready()
    bench.tell(ev.StopsLost("cut off"), 60.0)
    bench.amps(60.5, 0.2)
    bench.amps(60.6, 0.1)
    assert bench.state.stops_lost_at == 60.0
    assert collector_word(bench.fan_state()) is CollectorWord.OFF
