"""What the interlock remembers of what it saw, event by event."""

from math import inf

import pytest
from guard_bench import (
    NOW,
    ON_ITS_WAY,
    OPEN,
    SEEN_OPEN,
    SEEN_SHUT,
    SHUT,
    STILL,
    gates_shop,
    guard,
    observed,
)
from msgspec.structs import replace
from unit_bench import fan, gate, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import interlock
from gatehand_rules.shop import StopContact
from gatehand_rules.state import FanSeen, GateSeen, Guard
from gatehand_rules.words import Position

ASKED = replace(STILL, reset_asked_at=NOW)
"""A reset was asked for by message just now."""


SAID_OPEN = GateSeen(reported=OPEN, heard=True, live=True)


def test_a_tool_seen_low_and_then_at_its_threshold_arms_its_collector() -> None:
    one = gates_shop(1)
    record = guard(SEEN_OPEN, fans=(STILL,))
    assert observed(one, record, ev.Reading("saw", 2.0)) == record
    low = observed(one, record, ev.Reading("saw", 1.999))
    assert low == replace(record, low=(True,))
    assert observed(one, low, ev.Reading("saw", 0.0)) == low
    assert observed(one, low, ev.Reading("saw", 2.999)) == low
    assert observed(one, low, ev.Reading("saw", 3.0)) == replace(record, fans=(replace(STILL, armed=True),))
    assert observed(one, record, ev.Reading("saw", 9.0)) == record
    assert observed(one, low, ev.Reading("saw", 9.0, retained=True)) == low
    assert observed(one, record, ev.Reading("saw", 2.0, retained=True)) == record
    assert observed(one, record, ev.Reading("saw", 1.999, retained=True)) == low
    assert observed(one, record, ev.Reading("nobody", 0.0, retained=True)) == record
    assert observed(one, low, ev.Reading("nobody", 9.0)) == low


def test_each_tool_is_remembered_for_itself() -> None:
    three = shop(tool("x", "a"), tool("y", "a"), tool("z", "a", collector="main"), gate("a"))
    record = guard(SEEN_OPEN, fans=(STILL,), low=(False, False, False))
    low = observed(three, record, ev.Reading("y", 0.0))
    assert low.low == (False, True, False)
    assert observed(three, low, ev.Reading("y", 3.0)).low == (False, False, False)
    assert not observed(three, low, ev.Reading("z", 3.0)).fans[0].armed


@pytest.mark.parametrize(
    ("event", "arms"),
    [
        (ev.ButtonPressed("a"), True),
        (ev.ButtonPressed("a", retained=True), False),
        (ev.ButtonPressed("nobody"), False),
        (ev.HandAsked("a", on=True), True),
        (ev.HandAsked("a", on=False), False),
        (ev.HandAsked("a", on=True, retained=True), False),
    ],
)
def test_a_hand_arms_a_collector_and_an_old_one_does_not(event: ev.Event, *, arms: bool) -> None:
    record = guard(SEEN_SHUT, fans=(STILL,))
    assert observed(gates_shop(1), record, event).fans[0].armed is arms
    latched = guard(SEEN_SHUT, fans=(replace(STILL, latched=True),))
    assert not observed(gates_shop(1), latched, event).fans[0].armed


@pytest.mark.parametrize(
    ("on_hand_open", "told", "retained", "position", "arms"),
    [
        ("start", SHUT, False, OPEN, True),
        ("start", None, False, OPEN, True),
        ("ignore", SHUT, False, OPEN, False),
        ("start", OPEN, False, OPEN, True),  # it said shut since it was told open: a hand may have moved it twice
        ("start", SHUT, True, OPEN, False),
        ("start", SHUT, False, SHUT, False),
    ],
)
def test_a_gate_opened_by_hand_arms_its_collector(
    on_hand_open: str, told: Position | None, retained: bool, position: Position, *, arms: bool
) -> None:
    one = shop(tool("saw", "a"), gate("a", on_hand_open=on_hand_open))
    record = guard(replace(SEEN_SHUT, told=told), fans=(STILL,))
    assert observed(one, record, ev.GateReport("a", position, retained=retained)).fans[0].armed is arms


@pytest.mark.parametrize(
    ("seen", "position", "retained", "after"),
    [
        (GateSeen(), OPEN, False, GateSeen(reported=OPEN, heard=True, live=True)),
        (GateSeen(), OPEN, True, GateSeen(reported=OPEN, live=False)),
        (SAID_OPEN, OPEN, True, SAID_OPEN),
        (replace(SAID_OPEN, live=False), OPEN, True, replace(SAID_OPEN, live=False)),
        (SAID_OPEN, SHUT, True, GateSeen(reported=SHUT, heard=False, live=False)),
        (GateSeen(reported=OPEN, live=False), OPEN, True, GateSeen(reported=OPEN, live=False)),
        (GateSeen(reported=SHUT, live=True), OPEN, True, GateSeen(reported=OPEN, live=False)),
        (GateSeen(told=SHUT, told_at=90.0, left=True), OPEN, False, "left"),
        (GateSeen(told=SHUT, told_at=90.0, left=True), SHUT, False, "not left"),
        (GateSeen(told=SHUT, told_at=99.0, left=True, reported=SHUT), OPEN, False, "not left"),
        (GateSeen(told=SHUT, told_at=99.001, left=True, reported=SHUT), OPEN, False, "left"),
        (GateSeen(told=SHUT, told_at=90.0), OPEN, False, "not left"),
    ],
)
def test_a_report_is_remembered_with_its_age_and_for_what_it_can_prove(
    seen: GateSeen, position: Position, *, retained: bool, after: GateSeen | str
) -> None:
    got = observed(gates_shop(1), guard(seen), ev.GateReport("a", position, retained=retained)).gates[0]
    if isinstance(after, GateSeen):
        assert got == after
    else:
        assert got.left is (after == "left")


def test_what_a_gate_says_that_is_not_asked_or_not_there_is_not_remembered() -> None:
    record = guard(SEEN_SHUT)
    assert observed(gates_shop(1, reports=False), record, ev.GateReport("a", OPEN)) == record
    assert observed(gates_shop(1), record, ev.GateReport("nobody", OPEN)) == record


@pytest.mark.parametrize(
    ("seen", "event", "after"),
    [
        (STILL, ev.CollectorReport("main", on=True), replace(STILL, reported_on=True)),
        (STILL, ev.CollectorReport("main", on=True, retained=True), replace(STILL, reported_on=True)),
        (
            replace(STILL, off_told=True),
            ev.CollectorReport("main", on=True),
            replace(STILL, reported_on=True, off_told=True),
        ),
        (
            FanSeen(told_on=False, off_at=0.0, reported_on=True, off_told=True),
            ev.CollectorReport("main", on=False),
            FanSeen(told_on=False, off_at=NOW, reported_on=False, off_told=False),
        ),
        (replace(STILL, off_told=True), ev.CollectorReport("main", on=False), replace(STILL, reported_on=False)),
        (STILL, ev.CollectorReading("main", 2.0), replace(STILL, drawing=True)),
        (STILL, ev.CollectorReading("main", 1.999), replace(STILL, drawing=False)),
        (STILL, ev.CollectorReading("main", 2.0, retained=True), replace(STILL, drawing=True)),
        (STILL, ev.CollectorReading("main", 1.999, retained=True), STILL),
        (STILL, ev.CollectorReport("nobody", on=True), STILL),
        (STILL, ev.CollectorReading("nobody", 9.0), STILL),
    ],
)
def test_what_is_seen_of_a_fan_is_remembered(seen: FanSeen, event: ev.Event, after: FanSeen) -> None:
    one = gates_shop(1, senses_motor=True)
    assert observed(one, guard(SEEN_SHUT, fans=(seen,)), event).fans[0] == after


def test_what_watches_no_fan_of_the_shop_is_not_remembered() -> None:
    record = guard(SEEN_SHUT, fans=(STILL,))
    unseen = shop(tool("saw", "a"), gate("a"), fan(reports=False))
    assert observed(unseen, record, ev.CollectorReport("main", on=True)) == record
    assert observed(unseen, record, ev.CollectorReading("main", 9.0)) == record


STOPPED = shop(
    tool("saw", "a"),
    gate("a"),
    gate("b", collector="other"),
    fan(),
    fan("other"),
    StopContact(name="one", collectors=("main",)),
    StopContact(name="both", collectors=("other", "main")),
)
ARMED = replace(STILL, armed=True)


def test_a_stop_latches_its_collectors_and_only_a_reset_with_no_stop_active_unlatches() -> None:
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(ARMED, ARMED), stops=(False, False))
    stopped = observed(STOPPED, record, ev.StopReport("one", active=True))
    assert stopped.stops == (True, False)
    assert stopped.fans == (replace(STILL, latched=True), ARMED)
    asked = replace(STILL, latched=True, reset_asked_at=NOW)
    assert observed(STOPPED, stopped, ev.ResetAsked("main")).fans == (asked, ARMED)
    clear = observed(STOPPED, stopped, ev.StopReport("one", active=False))
    assert clear.stops == (False, False)
    assert clear.fans == stopped.fans
    assert observed(STOPPED, clear, ev.ResetAsked("main", retained=True)).fans == (asked, ARMED)
    assert observed(STOPPED, clear, ev.ResetAsked("nobody")) == clear
    assert observed(STOPPED, clear, ev.ResetAsked("main")).fans == (ASKED, ARMED)
    assert observed(STOPPED, clear, ev.ResetAsked("other")).fans == (clear.fans[0], replace(ARMED, reset_asked_at=NOW))


def test_a_stop_of_another_collector_keeps_no_latch() -> None:
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(STILL, replace(STILL, latched=True)), stops=(True, False))
    assert observed(STOPPED, record, ev.ResetAsked("other")).fans == (STILL, ASKED)
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(STILL, replace(STILL, latched=True)), stops=(False, True))
    assert observed(STOPPED, record, ev.ResetAsked("other")).fans == (STILL, replace(ASKED, latched=True))


def test_an_old_stop_counts_as_a_new_one_and_an_unknown_one_as_none() -> None:
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(ARMED, ARMED), stops=(False, False))
    both = observed(STOPPED, record, ev.StopReport("both", active=True, retained=True))
    assert [seen.latched for seen in both.fans] == [True, True]
    assert observed(STOPPED, record, ev.StopReport("nobody", active=True)) == record


@pytest.mark.parametrize(
    ("event", "latched"),
    [
        (ev.HoldAsked("main"), True),
        (ev.HoldAsked("main", retained=True), False),
        (ev.HoldAsked("nobody"), False),
        (ev.HoldRemembered("main"), True),
    ],
)
def test_a_hold_latches(event: ev.Event, *, latched: bool) -> None:
    after = observed(gates_shop(1), guard(SEEN_SHUT, fans=(ARMED,)), event).fans[0]
    assert after == (replace(STILL, latched=True) if latched else ARMED)


def test_a_reset_unlatches_and_disarms_and_leaves_what_was_not_latched() -> None:
    one = gates_shop(1)
    latched = guard(SEEN_SHUT, fans=(replace(ARMED, latched=True),))
    assert observed(one, latched, ev.ResetAsked("main")).fans == (ASKED,)
    armed = guard(SEEN_SHUT, fans=(ARMED,))
    assert observed(one, armed, ev.ResetAsked("main")).fans == (replace(ARMED, reset_asked_at=NOW),)


@pytest.mark.parametrize(("since", "counts"), [(1.999, False), (2.0, True)])
def test_a_reset_by_message_counts_where_none_came_in_the_two_seconds_before(since: float, *, counts: bool) -> None:
    one = gates_shop(1)
    record = guard(SEEN_SHUT, fans=(replace(STILL, latched=True, reset_asked_at=NOW - since),))
    assert observed(one, record, ev.ResetAsked("main")).fans[0].latched is not counts


@pytest.mark.parametrize(("held_for", "counts"), [(0.099, False), (0.1, True), (2.0, True), (2.001, False)])
def test_a_press_of_the_reset_button_counts_between_a_tenth_and_two_seconds(held_for: float, *, counts: bool) -> None:
    one = gates_shop(1)
    record = guard(SEEN_SHUT, fans=(replace(STILL, latched=True),))
    for at, pressed in ((NOW, False), (NOW + 1, True), (NOW + 1 + held_for, False)):
        assert record.fans[0].latched
        record = observed(one, record, ev.ResetButton("main", pressed=pressed), at)
    assert record.fans[0].latched is not counts


@pytest.mark.parametrize(
    "contrary",
    [
        ev.StopReport("one", active=True),
        ev.HoldAsked("main"),
        ev.HoldRemembered("main"),
        ev.BrokerConnected(),
    ],
)
def test_a_press_begun_before_the_cause_last_came_does_not_count(contrary: ev.Event) -> None:
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(replace(STILL, latched=True), STILL), stops=(False, False))
    for event in (
        ev.ResetButton("main", pressed=False),
        ev.ResetButton("main", pressed=True),
        contrary,
        ev.StopReport("one", active=False),
    ):
        record = observed(STOPPED, record, event)
    assert observed(STOPPED, record, ev.ResetButton("main", pressed=False), NOW + 1).fans[0].latched


def test_it_watches_half_a_second_after_a_connection_and_never_after_the_end() -> None:
    one = gates_shop(1)
    record = guard(SEEN_SHUT, watching_from=inf)
    fans = (replace(record.fans[0], reset_asked_at=NOW),)
    assert observed(one, record, ev.BrokerConnected()) == replace(record, watching_from=100.5, fans=fans)
    over = observed(one, guard(SEEN_SHUT), ev.ShutdownAsked())
    assert over == guard(SEEN_SHUT, watching_from=inf, over=True)
    assert observed(one, over, ev.BrokerConnected()) == replace(over, fans=fans)


@pytest.mark.parametrize(("heard_at", "old"), [(89.999, False), (90.0, True)])
def test_what_was_told_after_the_broker_was_last_heard_may_not_have_arrived(heard_at: float, *, old: bool) -> None:
    off = FanSeen(told_on=False, off_at=90.0)
    record = guard(SEEN_OPEN, SEEN_SHUT, fans=(off,))
    lost = observed(gates_shop(2), record, ev.BrokerLost(heard_at))
    assert lost.watching_from == inf
    assert lost.gates == (SEEN_OPEN if old else replace(SEEN_OPEN, told=None, travelled=False), SEEN_SHUT)
    assert lost.fans == (off if old else replace(off, off_at=inf),)
    on = FanSeen(told_on=True, off_at=90.0)
    assert observed(gates_shop(2), guard(SEEN_OPEN, SEEN_SHUT, fans=(on,)), ev.BrokerLost(heard_at)).fans == (on,)


def test_what_says_nothing_of_air_or_arms_nothing_is_not_remembered() -> None:
    record = guard(SEEN_SHUT)
    for event in (ev.Tick(), ev.BinReport("main", full=True), ev.DeviceOnline("gate", "a", online=False)):
        assert observed(gates_shop(1), record, event) == record


def test_nothing_is_known_at_the_beginning() -> None:
    first = interlock.initial(STOPPED)
    assert first == Guard(
        gates=(GateSeen(), GateSeen()),
        fans=(FanSeen(adopting=True), FanSeen(adopting=True)),
        low=(False,),
        stops=(False, False),
    )


@pytest.mark.parametrize(
    ("seen", "position", "told"),
    [
        (SEEN_OPEN, SHUT, None),
        (SEEN_OPEN, Position.BETWEEN, None),
        (SEEN_OPEN, OPEN, OPEN),
        (ON_ITS_WAY, SHUT, OPEN),
        (SEEN_SHUT, SHUT, SHUT),
        (replace(SEEN_OPEN, live=False), SHUT, OPEN),
    ],
)
def test_a_gate_that_somebody_has_moved_is_told_nothing_any_more(
    seen: GateSeen, position: Position, told: Position | None
) -> None:
    assert observed(gates_shop(1), guard(seen), ev.GateReport("a", position)).gates[0].told is told


def test_a_contact_that_says_clear_latches_nothing_and_is_remembered_for_itself() -> None:
    record = guard(SEEN_SHUT, SEEN_SHUT, fans=(ARMED, ARMED), stops=(True, True))
    clear = observed(STOPPED, record, ev.StopReport("both", active=False))
    assert clear.stops == (True, False)
    assert clear.fans == (ARMED, ARMED)
    assert observed(STOPPED, record, ev.StopReport("one", active=False)).stops == (False, True)
