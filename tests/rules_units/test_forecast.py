"""What is ahead when nothing else happens: when collectors go off and by what, when run-ons and hand starts end."""

from math import inf

import pytest
from unit_bench import Bench, connected, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import Rule
from gatehand_rules import events as ev
from gatehand_rules.forecast import HORIZON, Ahead, CollectorAhead, Keeper, forecast, situation
from gatehand_rules.reshape import adopt_shop
from gatehand_rules.state import GateOpening, RunOn
from gatehand_rules.words import Position

SAW = Keeper(Rule.DEMAND, "saw")


def ahead(bench: Bench) -> Ahead:
    return forecast(bench.shop, bench.state, bench.now)


def fan_ahead(bench: Bench, at: int = 0) -> CollectorAhead:
    return ahead(bench).collectors[at]


def goes_off(bench: Bench) -> float:
    """When it goes off, played with the rules' own deadlines."""
    while bench.fan_state().on_phase:
        assert bench.state.wake_at is not None
        bench.tick(bench.state.wake_at)
    return bench.now


def test_a_cut_without_a_limit_has_no_end() -> None:
    bench = running(saw_shop())
    assert fan_ahead(bench) == CollectorAhead((SAW,), None, (), None)


def test_a_shop_at_rest_foretells_nothing() -> None:
    assert ahead(ready(saw_shop())) == Ahead((None,), (None,), (CollectorAhead(),))


def test_a_run_on_ends_with_its_collector() -> None:
    bench = running(saw_shop())
    bench.amps(bench.now + 5, 0.0)
    end, kept = round(bench.now + 4, 3), (Keeper(Rule.RUN_ON, "saw"),)
    assert ahead(bench) == Ahead((end,), (None,), (CollectorAhead(kept, end, kept, None),))
    assert goes_off(bench) == end


def test_a_stop_that_is_not_yet_believed_is_foretold_with_the_run_on_behind_it() -> None:
    bench = running(shop(tool(stop_after=2.0), gate()))
    bench.amps(bench.now + 5, 0.0)
    assert fan_ahead(bench) == CollectorAhead((SAW,), round(bench.now + 6, 3), (Keeper(Rule.RUN_ON, "saw"),), None)
    bench = running(shop(tool(stop_after=2.0, run_on=0.0), gate()))
    bench.amps(bench.now + 5, 0.0)
    stopped = (Keeper(Rule.STOP_THRESHOLD, "saw"),)
    assert fan_ahead(bench) == CollectorAhead((SAW,), round(bench.now + 2, 3), stopped, None)


def test_a_cut_ends_with_its_run_limit() -> None:
    bench = running(shop(tool(run_limit=60.0, silent_after=30.0), gate(), fan(refresh=20.0)))
    began = bench.state.tools[0].since  # type: ignore[union-attr]
    assert fan_ahead(bench) == CollectorAhead((SAW,), began + 60, (Keeper(Rule.RUN_LIMIT, "saw"),), None)


def test_what_lies_beyond_the_horizon_is_foretold_when_it_comes_near() -> None:
    bench = running(shop(tool(run_limit=8 * 3600.0), gate()))
    end = bench.state.tools[0].since + 8 * 3600  # type: ignore[union-attr]
    assert fan_ahead(bench) == CollectorAhead((SAW,), None, (), None)
    assert ahead(bench).again_at == end - HORIZON
    bench.until(end - HORIZON)
    assert (fan_ahead(bench).off_at, ahead(bench).again_at) == (end, inf)


def test_a_hand_start_outlasts_a_run_on_and_the_other_way_round() -> None:
    place = shop(tool(), gate(), gate("sweep", hand_limit=20.0))
    bench = running(place)
    bench.tell(ev.ButtonPressed("sweep"), bench.now + 1)
    pressed = bench.now
    assert ahead(bench).hand_ends == (None, pressed + 20)
    bench.is_open(pressed + 0.5, "sweep")
    bench.amps(pressed + 1, 0.0)
    kept = (Keeper(Rule.HAND_LIMIT, "sweep"), Keeper(Rule.RUN_ON, "saw"))
    end = Keeper(Rule.HAND_LIMIT, "sweep")
    assert fan_ahead(bench) == CollectorAhead(kept, pressed + 20, (end,), None)
    bench.amps(pressed + 2, 5.0)
    bench.amps(pressed + 18, 0.0)
    assert ahead(bench).hand_ends == (None, pressed + 20)
    assert fan_ahead(bench) == CollectorAhead(kept, pressed + 22, (Keeper(Rule.RUN_ON, "saw"),), None)
    assert goes_off(bench) == pressed + 22


def test_the_budget_of_starts_says_its_end() -> None:
    bench = running(saw_shop(starts_per_hour=1))
    started = bench.fan_state().started_at
    budget = (Keeper(Rule.STARTS_PER_HOUR),)
    bench.amps(bench.now + 5, 0.0)
    coming = fan_ahead(bench)
    assert (coming.kept_by, coming.off_at, coming.off_by) == ((Keeper(Rule.RUN_ON, "saw"),), started + 3600, budget)
    assert ahead(bench).run_on_ends == (round(bench.now + 4, 3),), "its own end, not its collector's"
    bench.until(bench.now + 60)
    assert fan_ahead(bench) == CollectorAhead(budget, started + 3600, budget, None)
    assert goes_off(bench) == started + 3600


def test_a_run_on_is_foretold_only_of_a_tool_that_is_served() -> None:
    place = shop(tool("saw"), tool("jointer"), gate("saw"), gate("jointer"), fan(max_open=1))
    bench = running(place)
    bench.amps(bench.now + 1, 5.0, "jointer")
    bench.amps(bench.now + 1, 0.0, "jointer")
    assert bench.state.tools[1].word == "run_on"
    assert ahead(bench).run_on_ends == (None, None)
    assert fan_ahead(bench).kept_by == (SAW,)
    bench.amps(bench.now + 1, 0.0)
    assert fan_ahead(bench).off_by == (Keeper(Rule.RUN_ON, "saw"),)
    assert ahead(bench).run_on_ends == (round(bench.now + 4, 3), None)


def test_a_run_on_of_a_tool_whose_collector_is_off_is_not_foretold() -> None:
    bench = ready(shop(tool(), gate(), fan(tells_bin=True)))
    bench.tell(ev.BinReport("main", full=True), bench.now + 1)
    bench.amps(bench.now + 1, 5.0)
    bench.amps(bench.now + 1, 0.0)
    assert bench.state.tools[0].word == "run_on"
    assert ahead(bench) == Ahead((None,), (None,), (CollectorAhead(),))


def test_a_silent_tool_is_kept_for_its_run_on_and_then_let_go() -> None:
    bench = running(shop(tool(silent_after=30.0), gate()))
    assert fan_ahead(bench).off_at is None, "a sensor that speaks is not going to fall silent"
    bench.until(bench.state.tools[0].heard_at + 30)  # type: ignore[union-attr]
    assert bench.state.tools[0].word == "silent"
    end = ahead(bench).run_on_ends[0]
    assert end is not None
    assert (fan_ahead(bench).off_at, fan_ahead(bench).off_by) == (end, (Keeper(Rule.RUN_ON, "saw"),))
    bench.until(round(end + 0.001, 3))
    assert not bench.fan_state().on_phase
    assert ahead(bench).run_on_ends == (None,), "let go"


def test_an_adopted_fan_goes_off_when_its_tools_have_not_spoken() -> None:
    place = shop(tool(), gate(), fan())
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    bench.until(1.0)
    bench.is_open(1.2)
    bench.is_on(1.3)
    coming = fan_ahead(bench)
    assert coming.kept_by == coming.off_by == (Keeper(Rule.ADOPTION),)
    assert coming.off_at == bench.fan_state().grace_until
    assert goes_off(bench) == coming.off_at


def test_a_fan_switched_on_at_its_switch_has_no_end_and_one_switched_off_there_goes_off_soon() -> None:
    bench = ready(saw_shop(min_open=0))
    bench.is_on(bench.now + 1)
    bench.until(bench.now + 3)
    assert fan_ahead(bench) == CollectorAhead((Keeper(Rule.SWITCHED_BY_HAND),), None, (), None)
    bench = running(saw_shop())
    bench.is_off(bench.now + 1)
    assert fan_ahead(bench).off_at == bench.now + 2
    assert fan_ahead(bench).off_by == (Keeper(Rule.SWITCHED_BY_HAND),)


def test_a_coast_down_is_foretold_unless_a_start_comes_before_its_end() -> None:
    bench = running(saw_shop())
    bench.amps(bench.now + 5, 0.0)
    bench.until(bench.now + 4)
    assert fan_ahead(bench).still_at is None, "it is seen to turn"
    bench.is_off(bench.now + 0.1)
    still = bench.fan_state().still_at
    assert fan_ahead(bench) == CollectorAhead(still_at=still)
    bench.tell(ev.GateReport("saw", Position.SHUT), bench.now + 1)
    bench.amps(bench.now + 0.5, 5.0)
    assert isinstance(bench.gate_state().move, GateOpening)
    assert fan_ahead(bench).still_at is None, "on again once the gate is open"


def test_a_gate_on_its_way_is_taken_to_arrive() -> None:
    place = shop(tool("saw"), tool("jointer", run_on=20.0), gate("saw"), gate("jointer", travel=5.0, retries=0))
    bench = running(place)
    bench.amps(bench.now + 1, 5.0, "jointer")
    bench.amps(bench.now + 1, 0.0)
    bench.amps(bench.now + 1, 0.0, "jointer")
    assert isinstance(bench.gate_state(1).move, GateOpening)
    assert fan_ahead(bench).off_at == bench.now + 20


def test_two_collectors_have_futures_of_their_own() -> None:
    second = {"collector": "second"}
    place = shop(
        tool("saw"),
        tool("mill", run_on=9.0, **second),
        gate("saw"),
        gate("mill", **second),
        fan(),
        fan("second"),
    )
    bench = running(place)
    bench.amps(bench.now + 1, 5.0, "mill")
    bench.is_open(bench.now + 0.5, "mill")
    bench.is_on(bench.now + 0.1, "second")
    bench.amps(bench.now + 5, 0.0, "mill")
    assert fan_ahead(bench).off_at is None
    assert fan_ahead(bench, 1).off_at == bench.now + 9


def test_an_edited_run_on_counts_at_once() -> None:
    bench = running(saw_shop())
    bench.amps(bench.now + 5, 0.0)
    stopped = bench.now
    longer = shop(tool(run_on=40.0), gate())
    bench.state, bench.shop = adopt_shop(bench.shop, longer, bench.state, bench.now).state, longer
    assert fan_ahead(bench).off_at == stopped + 40


@pytest.mark.parametrize("assist", [(), ("sweep",)])
def test_assist_gates_change_no_end(assist: tuple[str, ...]) -> None:
    bench = running(shop(tool(assist=assist), gate(), gate("sweep", reports=False)))
    bench.amps(bench.now + 5, 0.0)
    assert fan_ahead(bench).off_at == bench.now + 4


def test_a_forecast_rests_on_no_reading_and_no_refresh() -> None:
    bench = running(shop(tool(silent_after=30.0), gate(), fan(refresh=20.0)))
    before, was = situation(bench.state), bench.state
    bench.amps(bench.now + 1, 7.0)
    bench.until(bench.now + 21)
    assert bench.state != was
    assert situation(bench.state) == before
    bench.amps(bench.now + 1, 0.0)
    assert situation(bench.state) != before


def test_a_forecast_leaves_the_state_as_it_is() -> None:
    bench = running(saw_shop(starts_per_hour=1))
    bench.amps(bench.now + 5, 0.0)
    before = bench.state
    assert ahead(bench).collectors[0].off_at not in {None, inf}
    assert bench.state is before
    assert not isinstance(before.collectors[0].phase, RunOn) or before.collectors[0].on_phase


def test_a_gate_whose_report_does_not_count_hides_no_end_of_a_hand_start() -> None:
    """The daemon has stood still: what is read before it has caught up proves nothing, and is not said for ever."""
    bench = ready(shop(tool("saw", "saw"), gate("saw"), gate("sweep", hand_limit=60.0), fan()))
    bench.step(ev.ButtonPressed("sweep"))
    began = bench.now
    bench.is_open(bench.now + 0.5, "sweep")
    bench.is_on(bench.now + 0.5)
    bench.amps(bench.now + 2, 6.0)
    assert isinstance(bench.gate_state(0).move, GateOpening)
    bench.step(ev.LoopStood(5.0), bench.now + 0.1)
    assert ahead(bench).hand_ends[1] == began + 60
