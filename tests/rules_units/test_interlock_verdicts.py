"""The interlock, verdict by verdict: the smallest record that shows each veto, and beside it the twin that passes."""

from math import inf

import pytest
from guard_bench import (
    NOW,
    ON_ITS_WAY,
    OPEN,
    READY_TO_START,
    SEEN_OPEN,
    SEEN_SHUT,
    SHUT,
    STILL,
    TURNING,
    enforced,
    gates_shop,
    guard,
    judged,
    observed,
)
from msgspec.structs import replace
from unit_bench import fan, gate, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import interlock
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, RaiseAlarm, ShutGate
from gatehand_rules.findings import Alarm
from gatehand_rules.state import FanSeen, GateSeen, Guard
from gatehand_rules.words import Position

SAID_OPEN = GateSeen(told=OPEN, told_at=90.0, again_at=90.0, reported=OPEN)
"""By a word of unknown age."""
ON, PASSES = CollectorOn("main"), ["> on main"]


# --- I1: on


@pytest.mark.parametrize(
    ("seen", "passes"),
    [
        (SEEN_OPEN, True),
        (GateSeen(reported=OPEN, heard=True, live=True), True),
        (replace(SEEN_OPEN, heard=False, live=False), False),  # an old word, told open long ago
        (replace(SEEN_OPEN, reported=SHUT), False),
        (replace(SEEN_OPEN, reported=Position.BETWEEN), False),
        (replace(SEEN_OPEN, reported=None), False),
        (replace(SEEN_OPEN, left=True), False),
        (replace(SEEN_OPEN, live=False, told_at=99.0, travelled=False), True),
        (replace(SEEN_OPEN, live=False, told_at=99.001, travelled=False), False),
        (replace(SEEN_OPEN, live=False, told_at=99.001, travelled=True), True),  # by a shorter travel, since changed
        (replace(SEEN_OPEN, live=False, told=None), False),
        (replace(SEEN_OPEN, live=False, told=SHUT), False),
        (GateSeen(), False),
    ],
)
def test_on_leaves_only_with_a_gate_proven_open_that_reports(seen: GateSeen, *, passes: bool) -> None:
    said = judged(gates_shop(1), guard(seen, fans=(READY_TO_START,)), ON)
    assert said == (
        PASSES if passes else ["command_vetoed/min_open collector=main command=on proven_open=0 min_open=1"]
    )


@pytest.mark.parametrize(
    ("seen", "passes"),
    [
        (GateSeen(told=OPEN, told_at=99.0), True),
        (GateSeen(told=OPEN, told_at=99.001), False),
        (GateSeen(told=SHUT, told_at=1.0), False),
        (GateSeen(), False),
        (GateSeen(told=OPEN, told_at=99.5, again_at=1.0), False),
    ],
)
def test_on_leaves_only_with_a_gate_told_open_its_travel_ago_that_cannot_report(
    seen: GateSeen, *, passes: bool
) -> None:
    record = guard(seen, fans=(READY_TO_START,))
    assert (judged(gates_shop(1, reports=False), record, ON) == PASSES) is passes


@pytest.mark.parametrize(("min_open", "proven", "passes"), [(0, 0, True), (2, 1, False), (2, 2, True), (1, 2, True)])
def test_on_wants_min_open_gates_proven(min_open: int, proven: int, *, passes: bool) -> None:
    record = guard(*(SEEN_OPEN if at < proven else SEEN_SHUT for at in range(3)), fans=(READY_TO_START,))
    assert (judged(gates_shop(3, min_open=min_open), record, ON) == PASSES) is passes


def test_an_open_gate_of_another_collector_is_no_air_for_this_one() -> None:
    two = shop(tool("saw", "a"), gate("a"), gate("far", collector="other"), fan(), fan("other"))
    record = guard(SEEN_SHUT, SEEN_OPEN, fans=(READY_TO_START, READY_TO_START))
    assert judged(two, record, ON) == ["command_vetoed/min_open collector=main command=on proven_open=0 min_open=1"]
    assert judged(two, record, CollectorOn("other")) == ["> on other"]


# --- I5, I6: on


def test_on_never_leaves_under_a_stop_or_before_its_reset() -> None:
    record = guard(SEEN_OPEN, fans=(replace(READY_TO_START, latched=True),))
    assert judged(gates_shop(1), record, ON) == ["command_vetoed/stop_contact collector=main command=on"]


@pytest.mark.parametrize(
    ("seen", "passes"),
    [
        (FanSeen(told_on=False), False),
        (FanSeen(), False),
        (FanSeen(told_on=False, armed=True), True),
        (FanSeen(told_on=True), True),
        (FanSeen(told_on=False, reported_on=True), True),
        (FanSeen(told_on=False, drawing=True), True),
        (FanSeen(told_on=False, reported_on=False, drawing=False), False),
    ],
)
def test_on_leaves_only_for_a_fresh_demand_or_a_fan_that_is_on_already(seen: FanSeen, *, passes: bool) -> None:
    said = judged(gates_shop(1), guard(SEEN_OPEN, fans=(seen,)), ON)
    assert said == (PASSES if passes else ["command_vetoed/not_fresh collector=main command=on"])


# --- I2: shut


SHUT_A = ShutGate("a")


@pytest.mark.parametrize(
    ("fan_seen", "passes"),
    [
        (STILL, True),
        (TURNING, False),
        (FanSeen(), False),
        (FanSeen(told_on=False, off_at=92.0), True),
        (FanSeen(told_on=False, off_at=92.001), False),
        (FanSeen(told_on=False, off_at=inf), False),
        (FanSeen(told_on=False, off_at=0.0, reported_on=True), False),
        (FanSeen(told_on=False, off_at=0.0, drawing=True), False),
        (FanSeen(told_on=False, off_at=0.0, reported_on=False, drawing=False), True),
    ],
)
def test_the_last_open_gate_is_never_shut_while_the_fan_may_turn(fan_seen: FanSeen, *, passes: bool) -> None:
    said = judged(gates_shop(2), guard(SEEN_OPEN, SEEN_SHUT, fans=(fan_seen,)), SHUT_A)
    veto = "command_vetoed/min_open gate=a collector=main command=shut proven_open=0 min_open=1"
    assert said == (["> shut a"] if passes else [veto])


@pytest.mark.parametrize(
    ("min_open", "others", "passes"), [(0, 0, True), (1, 0, False), (1, 1, True), (2, 1, False), (2, 2, True)]
)
def test_a_gate_is_shut_only_when_enough_others_stay_proven(min_open: int, others: int, *, passes: bool) -> None:
    record = guard(SEEN_OPEN, *(SEEN_OPEN if at < others else SEEN_SHUT for at in range(2)))
    assert (judged(gates_shop(3, min_open=min_open), record, SHUT_A) == ["> shut a"]) is passes


def test_each_shut_counts_for_the_next_in_the_same_step() -> None:
    record = guard(SEEN_OPEN, SEEN_OPEN)
    assert judged(gates_shop(2), record, SHUT_A, ShutGate("b")) == [
        "> shut a",
        "command_vetoed/min_open gate=b collector=main command=shut proven_open=0 min_open=1",
    ]


def test_a_gate_that_cannot_report_is_not_open_from_the_telling_on() -> None:
    record = guard(GateSeen(told=OPEN, told_at=1.0), GateSeen(told=OPEN, told_at=1.0))
    said = judged(gates_shop(2, reports=False), record, SHUT_A, ShutGate("b"))
    assert said[0] == "> shut a"
    assert said[1].startswith("command_vetoed/min_open gate=b")


# --- I3: shut


@pytest.mark.parametrize(
    ("leaving", "coming", "passes"),
    [
        (SEEN_OPEN, ON_ITS_WAY, False),
        (SEEN_OPEN, replace(ON_ITS_WAY, again_at=99.001), False),
        (SEEN_OPEN, replace(ON_ITS_WAY, again_at=99.0), True),
        (SEEN_OPEN, SEEN_SHUT, True),
        (SEEN_OPEN, replace(ON_ITS_WAY, reported=OPEN), True),
        (SEEN_SHUT, ON_ITS_WAY, True),
        (SEEN_OPEN, replace(ON_ITS_WAY, gives_way_to="c"), True),
        (SEEN_OPEN, replace(ON_ITS_WAY, gives_way_to="a"), False),
        (SEEN_OPEN, replace(ON_ITS_WAY, gives_way_to="nobody"), False),
    ],
)
def test_no_open_gate_is_shut_while_another_is_on_its_way_unless_that_one_gives_way(
    leaving: GateSeen, coming: GateSeen, *, passes: bool
) -> None:
    if coming.gives_way_to == "a":
        leaving = replace(leaving, told=SHUT)
    record = guard(leaving, coming, SEEN_OPEN)
    veto = "command_vetoed/make_before_break gate=a collector=main command=shut"
    assert judged(gates_shop(3), record, SHUT_A) == (["> shut a"] if passes else [veto])


def test_make_before_break_is_of_no_concern_to_a_fan_that_stands() -> None:
    record = guard(SEEN_OPEN, ON_ITS_WAY, SEEN_OPEN, fans=(STILL,))
    assert judged(gates_shop(3), record, SHUT_A) == ["> shut a"]


# --- I7: open


OPEN_C = OpenGate("c")


@pytest.mark.parametrize(
    ("record", "passes"),
    [
        (guard(SEEN_OPEN, SEEN_OPEN, SEEN_SHUT), False),
        (guard(SEEN_OPEN, SEEN_SHUT, SEEN_SHUT), True),
        (guard(SEEN_OPEN, replace(SEEN_OPEN, reported=None), SEEN_SHUT), False),
        (observed(gates_shop(3), guard(SEEN_OPEN, SEEN_OPEN, SEEN_SHUT), ev.GateReport("b", SHUT)), True),
        (guard(SEEN_OPEN, replace(SEEN_OPEN, reported=SHUT, live=False), SEEN_SHUT), False),
        (guard(SEEN_OPEN, replace(SEEN_OPEN, gives_way_to="c"), SEEN_SHUT), True),
        (guard(SEEN_OPEN, replace(SEEN_OPEN, gives_way_to="a"), SEEN_SHUT), True),
        (guard(SEEN_OPEN, replace(SEEN_OPEN, gives_way_to="x"), SEEN_SHUT), False),
        (guard(SEEN_OPEN, SEEN_OPEN, SEEN_OPEN), True),
        (guard(SEEN_OPEN, SEEN_OPEN, SEEN_SHUT, fans=(STILL,)), False),
    ],
)
def test_no_more_than_max_open_gates_are_told_to_stand_open(record: Guard, *, passes: bool) -> None:
    veto = "command_vetoed/max_open gate=c collector=main command=open standing=2 max_open=2"
    assert judged(gates_shop(3, max_open=2), record, OPEN_C) == (["> open c"] if passes else [veto])


def test_without_max_open_any_number_stands_open() -> None:
    assert judged(gates_shop(3), guard(SEEN_OPEN, SEEN_OPEN, SEEN_SHUT), OPEN_C) == ["> open c"]


def test_air_for_a_fan_that_may_turn_comes_before_max_open() -> None:
    told = replace(SEEN_OPEN, reported=None)
    assert judged(gates_shop(3, max_open=2), guard(told, told, SEEN_SHUT), OPEN_C) == ["> open c"]
    still = guard(told, told, SEEN_SHUT, fans=(STILL,))
    assert judged(gates_shop(3, max_open=2), still, OPEN_C)[0].startswith("command_vetoed/max_open")


def test_a_gate_told_open_in_anothers_stead_takes_its_room_in_the_same_step() -> None:
    record = guard(SEEN_OPEN, SEEN_OPEN, SEEN_SHUT)
    three = gates_shop(3, max_open=2)
    assert judged(three, record, OpenGate("c", ("b",))) == ["> open c instead of b"]
    assert judged(three, record, OpenGate("c", ("nobody",)))[0].startswith("command_vetoed/max_open")
    after, _, _ = interlock.judge(three, record, (OpenGate("c", ("b",)),), NOW)
    assert after.gates[1] == replace(SEEN_OPEN, gives_way_to="c")


# --- what a passed command leaves in the record


def test_on_and_off_are_remembered() -> None:
    one = gates_shop(1)
    after, _, _ = interlock.judge(one, guard(SEEN_OPEN, fans=(replace(READY_TO_START, adopting=True),)), (ON,), NOW)
    assert after.fans[0] == replace(READY_TO_START, told_on=True, adopting=False)
    vetoed = guard(SEEN_SHUT, fans=(READY_TO_START,))
    after, _, _ = interlock.judge(one, vetoed, (ON,), NOW)
    assert after == vetoed
    after, passed, _ = interlock.judge(one, guard(SEEN_OPEN), (CollectorOff("main"),), NOW)
    assert passed == (CollectorOff("main"),)
    assert after.fans[0] == FanSeen(told_on=False, off_at=NOW, off_told=True)


def test_told_off_twice_the_coast_down_counts_from_the_first_unless_that_may_not_have_arrived() -> None:
    for off_at, then in ((95.0, 95.0), (inf, NOW)):
        seen = FanSeen(told_on=False, off_at=off_at, adopting=True)
        after, _, _ = interlock.judge(gates_shop(1), guard(SEEN_OPEN, fans=(seen,)), (CollectorOff("main"),), NOW)
        assert after.fans[0] == FanSeen(told_on=False, off_at=then, off_told=True)


def test_open_and_shut_are_remembered_and_a_second_telling_moves_only_its_own_time() -> None:
    one = gates_shop(1)

    def told(seen: GateSeen, command: Command) -> GateSeen:
        return interlock.judge(one, guard(seen, fans=(STILL,)), (command,), NOW)[0].gates[0]

    assert told(SEEN_SHUT, OpenGate("a")) == GateSeen(
        told=OPEN, told_at=NOW, again_at=NOW, reported=None, heard=True, live=False, left=False, gives_way_to=None
    )
    left = replace(SEEN_SHUT, left=True, gives_way_to="x")
    assert told(left, OpenGate("a")) == GateSeen(
        told=OPEN, told_at=NOW, again_at=NOW, reported=None, heard=True, live=False, left=False, gives_way_to=None
    )
    assert told(SEEN_OPEN, OpenGate("a")) == replace(SEEN_OPEN, again_at=NOW, live=False)
    assert told(replace(SEEN_OPEN, gives_way_to="x"), SHUT_A) == GateSeen(
        told=SHUT, told_at=NOW, again_at=NOW, reported=None, heard=True, live=True, left=True, gives_way_to=None
    )
    between = replace(SEEN_OPEN, reported=Position.BETWEEN)
    assert told(between, SHUT_A).reported is Position.BETWEEN
    assert told(SEEN_SHUT, SHUT_A) == replace(SEEN_SHUT, again_at=NOW)


def test_told_to_shut_no_gate_gives_way_to_it_any_more() -> None:
    record = guard(replace(SEEN_OPEN, gives_way_to="c"), replace(SEEN_OPEN, gives_way_to="b"), SEEN_OPEN)
    after, _, _ = interlock.judge(gates_shop(3), record, (ShutGate("c"),), NOW)
    assert [seen.gives_way_to for seen in after.gates] == [None, "b", None]


def test_told_to_open_a_gate_seen_between_is_seen_between_still() -> None:
    between = replace(SEEN_SHUT, reported=Position.BETWEEN)
    after, _, _ = interlock.judge(gates_shop(1), guard(between), (OpenGate("a"),), NOW)
    assert after.gates[0].reported is Position.BETWEEN


def test_alarms_and_unknown_names_are_none_of_its_business() -> None:
    told = (
        RaiseAlarm(Alarm("tool", "saw", "silent")),
        CollectorOn("nobody"),
        CollectorOff("nobody"),
        OpenGate("nobody"),
        ShutGate("nobody"),
    )
    record = guard(SEEN_OPEN)
    assert interlock.judge(gates_shop(1), record, told, NOW) == (record, told, ())


# --- what must leave whatever the sequence thinks


STARVED_OFF = "> off main"


def test_a_fan_without_air_gets_a_gate_and_is_told_off() -> None:
    assert enforced(gates_shop(2), guard(SEEN_SHUT, SEEN_SHUT)) == [
        "> open a",
        "> off main",
        ("command_vetoed/fan_against_shut_gates gate=a collector=main command=open forced=True proven_open=0"),
        "command_vetoed/fan_against_shut_gates collector=main command=off forced=True proven_open=0",
    ]
    after, _, _ = interlock.enforce(gates_shop(2), guard(SEEN_SHUT, SEEN_SHUT), NOW)
    assert after.gates[0].told is OPEN
    assert after.fans[0] == FanSeen(told_on=False, off_at=NOW, off_told=True)


@pytest.mark.parametrize(
    "record",
    [
        guard(SEEN_OPEN, SEEN_SHUT),
        guard(SEEN_SHUT, SEEN_SHUT, fans=(STILL,)),
        guard(SEEN_SHUT, SEEN_SHUT, fans=(replace(TURNING, adopting=True),), watching_from=100.001),
        guard(ON_ITS_WAY, SEEN_SHUT, fans=(replace(TURNING, adopting=True),)),
        guard(SAID_OPEN, SEEN_SHUT, fans=(replace(TURNING, adopting=True),)),
        guard(SEEN_SHUT, SEEN_SHUT, watching_from=100.001),
    ],
)
def test_nothing_is_forced_where_the_fan_has_air_stands_is_being_adopted_or_is_not_watched_yet(record: Guard) -> None:
    assert enforced(gates_shop(2), record) == []


def test_it_watches_from_its_instant_on() -> None:
    assert STARVED_OFF in enforced(gates_shop(2), guard(SEEN_SHUT, SEEN_SHUT, watching_from=NOW))


@pytest.mark.parametrize(
    ("seen", "off"),
    [
        (FanSeen(told_on=None, reported_on=True), True),
        (FanSeen(told_on=False, reported_on=True), True),
        (FanSeen(told_on=False, reported_on=True, off_told=True), False),
        (FanSeen(told_on=False, drawing=True), True),
    ],
)
def test_a_fan_seen_to_turn_without_air_is_told_off_once(seen: FanSeen, *, off: bool) -> None:
    said = enforced(gates_shop(2), guard(SEEN_SHUT, SEEN_SHUT, fans=(seen,)))
    assert "> open a" in said
    assert (STARVED_OFF in said) is off


@pytest.mark.parametrize(
    ("seen", "watching_from", "off"),
    [
        (FanSeen(told_on=True, latched=True), inf, True),
        (FanSeen(told_on=None, latched=True), inf, True),
        (FanSeen(told_on=False, latched=True), 0.0, False),
        (FanSeen(told_on=False, latched=True, reported_on=True), 0.0, True),
        (FanSeen(told_on=False, latched=True, reported_on=True), inf, False),
        (FanSeen(told_on=False, latched=True, reported_on=True, off_told=True), 0.0, False),
        (FanSeen(told_on=True), 0.0, False),
    ],
)
def test_under_a_stop_a_fan_is_told_off_at_once(seen: FanSeen, watching_from: float, *, off: bool) -> None:
    said = enforced(gates_shop(1), guard(SEEN_OPEN, fans=(seen,), watching_from=watching_from))
    line = "command_vetoed/stop_contact collector=main command=off forced=True proven_open=1"
    assert said == ([STARVED_OFF, line] if off else [])


def test_a_fan_found_turning_may_run_on_an_old_word_and_on_no_less_until_it_is_told_anything() -> None:
    found = FanSeen(told_on=None, reported_on=True, adopting=True)
    for seen, kept in ((SEEN_OPEN, True), (SAID_OPEN, True), (ON_ITS_WAY, True), (SEEN_SHUT, False)):
        assert (enforced(gates_shop(1), guard(seen, fans=(found,))) == []) is kept
    assert enforced(gates_shop(1), guard(replace(SAID_OPEN, left=True), fans=(found,))) != []
    assert enforced(gates_shop(1), guard(SAID_OPEN, fans=(replace(found, adopting=False),))) != []
    assert enforced(gates_shop(2, min_open=2), guard(SAID_OPEN, SEEN_SHUT, fans=(found,))) != []


def test_an_old_word_starts_no_fan_not_even_one_that_it_keeps() -> None:
    for seen in (READY_TO_START, FanSeen(told_on=None, reported_on=True, adopting=True, armed=True)):
        assert judged(gates_shop(1), guard(SAID_OPEN, fans=(seen,)), ON) != PASSES


@pytest.mark.parametrize(
    ("gates", "min_open", "opened"),
    [
        ((SEEN_SHUT, SEEN_SHUT, SEEN_SHUT), 1, ["b"]),
        ((SEEN_SHUT, SEEN_SHUT, SEEN_SHUT), 2, ["b", "a"]),
        ((ON_ITS_WAY, SEEN_SHUT, SEEN_SHUT), 1, []),
        ((ON_ITS_WAY, SEEN_SHUT, SEEN_SHUT), 2, ["b"]),
        ((SEEN_OPEN, SEEN_SHUT, SEEN_SHUT), 2, ["b"]),
        ((replace(ON_ITS_WAY, again_at=90.0), SEEN_SHUT, SEEN_SHUT), 1, ["b"]),
        ((SEEN_SHUT, replace(ON_ITS_WAY, again_at=90.0), SEEN_SHUT), 1, ["a"]),
    ],
)
def test_relief_gates_come_first_and_no_more_than_min_open_wants(
    gates: tuple[GateSeen, ...], min_open: int, opened: list[str]
) -> None:
    three = shop(
        tool("saw", "a"), gate("a"), gate("b", relief=True), gate("c", commanded=False), fan(min_open=min_open)
    )
    said = enforced(three, guard(*gates))
    assert [line.removeprefix("> open ") for line in said if line.startswith("> open")] == opened
