"""What a changed shop means for a state that goes on, over many states."""

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from shell_support import SHOP, active_config_of

from gatehand_rules import State, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import ClearAlarm, CollectorOn
from gatehand_rules.findings import Finding
from gatehand_rules.reshape import Rewired, adopt_shop, obstacles
from gatehand_rules.shop import Shop
from gatehand_rules.state import collector_word
from gatehand_rules.words import Position

OLD = active_config_of(SHOP).shop
EVENTS: list[ev.Event] = [
    ev.Tick(),
    *(ev.Reading(tool, amps) for tool in ("band_saw", "router") for amps in (0.0, 2.2, 9.0)),
    *(ev.GateReport("band_saw", position) for position in Position),
    ev.ButtonPressed("band_saw"),
    ev.HandAsked("bench", on=True),
    ev.HandAsked("bench", on=False),
    *(ev.CollectorReport("main", on=on) for on in (True, False)),
    *(ev.StopReport("emergency", active=active) for active in (True, False)),
    ev.ResetAsked("main"),
    *(ev.ResetButton("main", pressed=pressed) for pressed in (True, False)),
    ev.HoldAsked("main"),
    ev.BrokerLost(0.0),
    ev.BrokerConnected(),
]
STEPS = st.lists(st.tuples(st.sampled_from(EVENTS), st.sampled_from([0.0, 0.1, 0.4, 1.0, 3.0, 11.0])), max_size=25)

EDITS = [
    SHOP.replace("run_on = 10", "run_on = 1"),
    SHOP.replace("start_amps = 2.5", "start_amps = 1.5"),
    SHOP.replace("start_amps = 2.5", "start_amps = 6\nstop_amps = 5"),
    SHOP.replace("travel = 1\nbutton", "travel = 4\nretries = 0\nbutton"),
    SHOP.replace('"shut" }\ntravel = 1\n\n', '"shut" }\ntravel = 4\n\n'),  # of the gate that cannot report
    SHOP.replace("coast_down = 2", "coast_down = 9\nmax_open = 2"),
    SHOP.replace('state = { topic = "shop/fan/state", on = "1", off = "0" }\n', ""),
    SHOP.replace("coast_down = 2", 'coast_down = 2\ncurrent = { topic = "shop/fan/amps" }'),
    SHOP.split("[stop.emergency]", maxsplit=1)[0],
    SHOP.replace("[stop.emergency]", "[stop.red_button]"),
    SHOP + '\n[stop.spark]\ntopic = "shop/spark"\nactive = "1"\nclear = "0"\n',
    SHOP.replace("[tool.router]", "[tool.spindle]"),
    SHOP.replace("[gate.bench]", "[gate.table]").replace('gates = ["bench"]', 'gates = ["table"]'),
    "\n\n".join(part for part in SHOP.split("\n\n") if "router" not in part and "bench" not in part),
]
assert all(text != SHOP for text in EDITS)
SHOPS = [active_config_of(text).shop for text in EDITS]


def played(steps: list[tuple[ev.Event, float]]) -> tuple[State, float]:
    """A state that a story leads to."""
    now = 10.0
    state = step(OLD, initial(OLD, now), ev.BrokerConnected(), now).state
    state = step(OLD, state, ev.Tick(), now + 0.5).state
    now += 1
    for event, pause in steps:
        now = round(now + pause, 3)
        given_event = ev.BrokerLost(now) if isinstance(event, ev.BrokerLost) else event
        state = step(OLD, state, given_event, now).state
    return state, now


@given(STEPS)
@settings(max_examples=150, deadline=None)
def test_the_same_shop_changes_nothing(steps: list[tuple[ev.Event, float]]) -> None:
    state, now = played(steps)
    assert obstacles(OLD, OLD, state, now) == ()
    outcome = adopt_shop(OLD, OLD, state, now)
    assert replace(outcome.state, wake_at=None) == replace(state, wake_at=None)
    assert outcome.commands == ()
    assert outcome.findings == ()


@given(STEPS, st.sampled_from(SHOPS), STEPS)
@settings(max_examples=300, deadline=None)
def test_any_edit_that_is_taken_switches_nothing_and_goes_on_without_a_veto(
    steps: list[tuple[ev.Event, float]], new: Shop, more: list[tuple[ev.Event, float]]
) -> None:
    state, now = played(steps)
    if obstacles(OLD, new, state, now):
        return
    outcome = adopt_shop(OLD, new, state, now)
    assert all(isinstance(command, ClearAlarm) for command in outcome.commands)
    state = outcome.state
    for event, pause in more:
        now = round(now + pause, 3)
        result = step(new, state, ev.BrokerLost(now) if isinstance(event, ev.BrokerLost) else event, now)
        state = result.state
        # The interlock has never to save what the sequence makes of a carried state.
        assert not [each for each in result.findings if each.event == "command_vetoed" and not _forced(each)]


def test_proof_once_given_outlives_a_longer_travel() -> None:
    """The router cuts, its gate cannot report; a save gives the gate more time than it has had since it was told."""
    longer = SHOPS[EDITS.index(next(text for text in EDITS if "travel = 4\n\n" in text))]
    state, now = played([(ev.Reading("router", 0.0), 0.1), (ev.CollectorReport("main", on=False), 5.0)])
    state, now = _went(OLD, state, now, (ev.Reading("router", 9.0), 0.0), (ev.Tick(), 1.0))
    assert state.collectors[0].on_phase
    state, now = _went(OLD, state, now, (ev.CollectorReport("main", on=True), 0.2))
    assert obstacles(OLD, longer, state, now) == ()
    state = adopt_shop(OLD, longer, state, now).state
    state, now = _went(longer, state, now, (ev.Tick(), 0.1), (ev.Reading("router", 9.5), 0.1), (ev.Tick(), 1.0))
    assert state.collectors[0].on_phase
    assert state.alarms == frozenset()


def test_thresholds_that_rise_over_what_a_tool_draws_leave_its_next_start_fresh() -> None:
    """It hummed at 2.6 A, too short to be a start, and at 2.2 A since: idle by the old thresholds and by the new."""
    slow = active_config_of(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nstart_after = 2")).shop
    higher = active_config_of(SHOP.replace("start_amps = 2.5", "start_amps = 6\nstop_amps = 5")).shop
    state, now = initial(slow, 10.0), 10.0
    begin: list[tuple[ev.Event, float]] = [(ev.BrokerConnected(), 0.0), (ev.Tick(), 0.5)]
    begin += [(ev.CollectorReport("main", on=False), 3.0)]
    begin += [(ev.Reading("band_saw", amps), 0.5) for amps in (0.0, 2.6, 2.2)]
    state, now = _went(slow, state, now, *begin, (ev.HoldAsked("main"), 1.0))
    state = adopt_shop(slow, higher, state, now).state
    state, now = _went(higher, state, now, (ev.ResetAsked("main"), 1.0), (ev.Reading("band_saw", 9.0), 1.0))
    state, now = _went(higher, state, now, (ev.GateReport("band_saw", Position.OPEN), 0.5))
    assert state.collectors[0].on_phase


def _went(shop: Shop, state: State, now: float, *events: tuple[ev.Event, float]) -> tuple[State, float]:
    """The state after these events, each some seconds after the one before, and no word of the interlock."""
    for event, pause in events:
        now = round(now + pause, 3)
        outcome = step(shop, state, event, now)
        state = outcome.state
        assert not [one for one in outcome.findings if one.event == "command_vetoed"]
    return state, now


@given(STEPS, st.sampled_from(SHOPS))
@settings(max_examples=200, deadline=None)
def test_no_edit_ends_a_hold_in_either_layer(steps: list[tuple[ev.Event, float]], new: Shop) -> None:
    state, now = played([*steps, (ev.HoldAsked("main"), 0.0)])
    renamed = replace(
        new,
        tools=tuple(replace(one, collector="cyclone") for one in new.tools),
        gates=tuple(replace(one, collector="cyclone") for one in new.gates),
        stops=tuple(replace(one, collectors=("cyclone",)) for one in new.stops),
        collectors=(replace(new.collectors[0], name="cyclone"), *new.collectors[1:]),
    )
    for after, rewired in ((new, Rewired()), (renamed, Rewired(renamed={"main": "cyclone"}))):
        if obstacles(OLD, after, state, now, rewired):
            continue
        outcome = adopt_shop(OLD, after, state, now, rewired)
        assert collector_word(outcome.state.collectors[0]) == "held"
        assert outcome.state.guard.fans[0].latched


def _forced(finding: Finding) -> bool:
    """The interlock added a command, as it does for a fan that somebody else has switched on."""
    return dict(finding.facts).get("forced") is True


@given(STEPS, st.sampled_from(SHOPS))
@settings(max_examples=200, deadline=None)
def test_no_edit_starts_the_fan(steps: list[tuple[ev.Event, float]], new: Shop) -> None:
    """A fan that stands still is not started by anything but an event that comes after the edit."""
    state, now = played(steps)
    at_rest = not any(fan.on_phase for fan in state.collectors)
    waiting = type(state.collectors[0].phase).__name__ == "Opening"
    if obstacles(OLD, new, state, now) or not at_rest or waiting or state.settle_at is not None or not state.connected:
        return
    before = step(OLD, state, ev.Tick(), now)
    if type(before.state.collectors[0].phase).__name__ == "Opening":
        return
    state = adopt_shop(OLD, new, state, now).state
    for amps in (0.0, 2.2, 2.2):
        assert CollectorOn("main") not in step(new, state, ev.Tick(), now).commands
        now = round(now + 0.01, 3)
        if amps:
            result = step(new, state, ev.Tick(), now)
            state = result.state
            assert CollectorOn("main") not in result.commands
