"""Each alarm is told once, in order, at most one run a minute, and none is lost: over any story that can be drawn."""

import math
from collections import Counter
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from notify_support import FAN, GATE, SAW, entry

from gatehand.notify.entry import Entry, State
from gatehand.notify.telling import (
    EVERY,
    LONGEST_WAIT,
    MOST,
    MOST_A_RUN,
    TOGETHER,
    TRIES,
    Kept,
    Stage,
    Telling,
    wait_after,
)

AFTER = 5.0


def raised(telling: Telling, now: float, *ids: str, since: str = "1") -> None:
    for id_ in ids:
        telling.came(entry(id_, since), now, AFTER, "then")


def run(telling: Telling, now: float, *, well: bool = True) -> list[tuple[str, str]]:
    """Pass time to then; run if a run is due within the second that it waits for more, and tell what it told."""
    telling.pass_time(now)
    at = telling.next_run()
    if at > now + TOGETHER or now < at == telling.last_run + EVERY:
        return []
    told = telling.begin(now)
    telling.ended(well=well)
    return [(each.id, each.state) for each in told]


def test_an_alarm_is_told_once_its_grace_is_over_and_not_again() -> None:
    telling = Telling()
    raised(telling, 100, GATE)
    assert run(telling, 104.9) == []
    assert telling.wake_at() == 105
    assert run(telling, 105) == [(GATE, "raised")]
    raised(telling, 110, GATE)
    assert run(telling, 1000) == []
    assert telling.wake_at() == math.inf


def test_what_is_over_within_its_grace_is_told_to_nobody() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    telling.went(GATE, 0, "then")
    assert run(telling, 1000) == []


def test_what_comes_within_the_minute_is_told_together_in_its_order_when_the_minute_is_over() -> None:
    telling = Telling()
    raised(telling, 0, GATE)
    assert run(telling, 5) == [(GATE, "raised")]
    raised(telling, 10, SAW)
    raised(telling, 11, FAN)
    assert run(telling, 64.9) == []
    assert run(telling, 65) == [(SAW, "raised"), (FAN, "raised")]


def test_what_is_over_while_it_waits_for_its_run_is_told_as_over_and_only_so() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    run(telling, 5)
    raised(telling, 10, SAW)
    telling.pass_time(20)
    telling.went(SAW, 0, "then")
    assert run(telling, 65) == [(SAW, "over")]
    assert run(telling, 1000) == []


def test_what_comes_with_it_is_told_with_it() -> None:
    telling = Telling(ends=True)
    raised(telling, 100, GATE)
    raised(telling, 100.9, SAW)
    telling.pass_time(105)
    assert telling.next_run() == 106
    telling.pass_time(106)
    assert [each.id for each in telling.begin(106)] == [GATE, SAW]
    telling.ended(well=True)
    telling.went(GATE, 400, "then")
    assert telling.next_run() == 401


@pytest.mark.parametrize("ends", [True, False])
def test_an_end_is_told_only_where_it_is_asked_for(ends: bool) -> None:
    telling = Telling(ends=ends)
    raised(telling, 0, GATE)
    run(telling, 5)
    telling.went(GATE, 0, "then")
    assert run(telling, 65) == ([(GATE, "over")] if ends else [])
    assert run(telling, 1000) == []


def test_what_ends_while_the_program_runs_is_told_as_raised_and_then_as_over() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    telling.pass_time(5)
    assert [each.state for each in telling.begin(5)] == [State.RAISED]
    telling.went(GATE, 0, "then")
    assert telling.next_run() == math.inf
    telling.ended(well=True)
    assert run(telling, 65) == [(GATE, "over")]


def test_an_alarm_that_is_raised_anew_is_another_one() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    run(telling, 5)
    raised(telling, 20, GATE, since="2")
    assert run(telling, 65) == [(GATE, "over"), (GATE, "raised")]


def test_a_storm_that_counts_on_is_one_alarm() -> None:
    telling = Telling()
    raised(telling, 0, GATE)
    run(telling, 5)
    for count in range(2, 50):
        telling.came(entry(GATE, "1", count=count), 5 + count, AFTER, "then")
    assert run(telling, 1000) == []


def test_the_newest_words_are_told() -> None:
    telling = Telling()
    raised(telling, 0, GATE)
    telling.came(entry(GATE, "1", count=7), 3, AFTER, "then")
    telling.pass_time(5)
    assert telling.begin(5)[0].count == 7


def test_what_somebody_has_seen_is_not_told_and_what_was_told_before_ends_all_the_same() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    run(telling, 5)
    raised(telling, 10, SAW)
    telling.came(entry(SAW, "1", seen=True), 12, AFTER, "then")
    telling.came(entry(GATE, "1", seen=True), 12, AFTER, "then")
    assert run(telling, 100) == []
    telling.went(SAW, 0, "then")
    telling.went(GATE, 0, "then")
    assert run(telling, 200) == [(GATE, "over")]


def test_what_a_failed_run_did_not_tell_is_told_by_the_next_and_waits_grow_until_something_new_comes() -> None:
    telling = Telling()
    raised(telling, 0, GATE)
    assert run(telling, 5, well=False) == [(GATE, "raised")]
    assert telling.next_run() == 65
    assert run(telling, 65, well=False) == [(GATE, "raised")]
    assert telling.next_run() == 65 + 120
    raised(telling, 70, SAW)
    assert run(telling, 125) == [(GATE, "raised"), (SAW, "raised")]


def test_a_program_that_always_fails_is_tried_so_often_and_then_given_up() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    now, tried = 5.0, 0
    telling.pass_time(now)
    while telling.next_run() < math.inf:
        now = max(now, telling.next_run())
        assert [each.id for each in telling.begin(now)] == [GATE]
        given_up = telling.ended(well=False)
        tried += 1
        assert [each.id for each in given_up] == ([GATE] if tried == TRIES else [])
    assert tried == TRIES
    assert 13 * 3600 < now < 16 * 3600
    raised(telling, now + 1, GATE)
    telling.went(GATE, 0, "then")
    assert run(telling, now + 10**6) == []
    assert wait_after(10**9) == LONGEST_WAIT


def test_a_flood_is_kept_within_bounds_and_a_run_too() -> None:
    telling = Telling()
    for number in range(MOST + 5):
        raised(telling, 0, f"gate.g{number}.fault")
    assert telling.turned_away == 5
    telling.pass_time(5)
    now, told = 5.0, []
    while telling.next_run() < math.inf:
        now = max(now, telling.next_run())
        told.append(len(telling.begin(now)))
        telling.ended(well=True)
    assert told == [MOST_A_RUN] * (MOST // MOST_A_RUN)


def test_what_is_in_doubt_is_not_told_yet() -> None:
    telling = Telling()
    raised(telling, 0, GATE, SAW)
    telling.pass_time(10, {GATE})
    assert [each.id for each in telling.begin(10)] == [SAW]
    assert telling.wake_at({GATE}) == math.inf


def test_a_restart_tells_nothing_again_and_loses_nothing() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    run(telling, 5)
    raised(telling, 6, SAW)
    raised(telling, 7, FAN)
    telling.pass_time(11.5)
    telling.went(SAW, 0, "then")
    again = Telling(ends=True, kept=telling.kept(), last_run=5)
    raised(again, 20, GATE, FAN)
    assert run(again, 64) == []
    assert run(again, 65) == [(SAW, "over"), (FAN, "raised")]
    again.went(GATE, 0, "then")
    assert run(again, 125) == [(GATE, "over")]


@dataclass
class Story:
    """A drawn one, and what was told in it."""

    ends: bool
    telling: Telling = field(init=False)
    now: float = 0.0
    number: int = 0
    began: list[float] = field(default_factory=list)
    told: list[Entry] = field(default_factory=list)
    under_way: tuple[Entry, ...] | None = None
    ripe: dict[tuple[str, str], float] = field(default_factory=dict)
    """Occurrences that outlasted their grace unseen, and when it was over."""
    active: dict[str, tuple[str, float]] = field(default_factory=dict)
    seen: set[tuple[str, str]] = field(default_factory=set)
    fails: Counter[tuple[str, str]] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.telling = Telling(ends=self.ends)

    def wait(self, seconds: float) -> None:
        self.now += seconds
        for id_, (since, at) in self.active.items():
            if at + AFTER <= self.now and (id_, since) not in self.seen:
                self.ripe.setdefault((id_, since), at + AFTER)
        self.telling.pass_time(self.now)
        self.start()

    def come(self, id_: str) -> None:
        if id_ not in self.active:
            self.number += 1
            self.active[id_] = (str(self.number), self.now)
        since = self.active[id_][0]
        self.telling.came(entry(id_, since, seen=(id_, since) in self.seen), self.now, AFTER, "then")

    def anew(self, id_: str) -> None:
        self.active.pop(id_, None)
        self.come(id_)

    def go(self, id_: str) -> None:
        self.active.pop(id_, None)
        self.telling.went(id_, self.now, "then")

    def see(self, id_: str) -> None:
        if id_ in self.active:
            self.seen.add((id_, self.active[id_][0]))
            self.come(id_)

    def start(self) -> None:
        if self.under_way is None and self.telling.next_run() <= self.now:
            self.under_way = self.telling.begin(self.now)
            self.began.append(self.now)

    def end(self, well: bool) -> None:
        if self.under_way is not None:
            told, self.under_way = self.under_way, None
            self.telling.ended(well=well)
            if well:
                self.told += told
            else:
                self.fails.update((each.id, each.since) for each in told)

    def restart(self) -> None:
        """A clean one: the program that runs is let end."""
        self.end(well=True)
        active = dict(self.active)
        self.telling = Telling(ends=self.ends, kept=self.telling.kept(), last_run=self.telling.last_run)
        for id_, (since, _) in active.items():
            if (id_, since) not in self.ripe:
                self.active[id_] = (since, self.now)  # its grace begins anew
            self.come(id_)


OPS = st.one_of(
    st.tuples(st.just("wait"), st.sampled_from([0.0, 1.0, 4.9, 5.0, 30.0, 60.0, 61.0, 4000.0])),
    st.tuples(st.sampled_from(["come", "anew", "go", "see"]), st.sampled_from([GATE, SAW, FAN])),
    st.tuples(st.just("end"), st.booleans()),
    st.tuples(st.just("restart")),
)


@settings(max_examples=400)
@given(st.booleans(), st.lists(OPS, max_size=40))
def test_whatever_happens_nothing_is_told_twice_or_lost_or_out_of_order_or_within_a_minute(
    ends: bool, ops: list[tuple[str, object]]
) -> None:
    story = Story(ends)
    for name, *more in ops:
        getattr(story, name)(*more)
    for _ in range(20):  # and then all goes well
        story.end(well=True)
        story.wait(LONGEST_WAIT)
    story.end(well=True)

    assert all(later - sooner >= EVERY for sooner, later in zip(story.began, story.began[1:], strict=False))
    counts = Counter((each.id, each.since, each.state) for each in story.told)
    assert not [each for each, count in counts.items() if count > 1]
    first: dict[tuple[str, str], State] = {}
    for each in story.told:
        first.setdefault((each.id, each.since), each.state)
    untold = {each for each in story.ripe if each not in first} - story.seen
    assert not untold
    assert not set(first) - set(story.ripe), "told before its grace was over"
    order = [story.ripe[each] for each in first if not story.fails]
    assert order == sorted(order)
    for (id_, since), state in first.items():
        over = (id_, since) not in {(key, value[0]) for key, value in story.active.items()}
        ended = (id_, since, State.OVER) in counts
        assert ended == (over and (ends or state is State.OVER))


def test_what_is_kept_survives_its_being_written() -> None:
    import msgspec

    kept = (Kept(entry(), Stage.DUE, 3), Kept(entry(SAW).over("then"), Stage.DUE))
    assert msgspec.json.decode(msgspec.json.encode(kept), type=tuple[Kept, ...]) == kept


def test_what_is_acknowledged_while_the_program_tells_of_it_was_reported_and_ends() -> None:
    telling = Telling(ends=True)
    raised(telling, 0, GATE)
    telling.pass_time(5)
    telling.begin(6)
    telling.came(entry(GATE, "1", seen=True), 7, AFTER, "then")
    telling.ended(well=True)
    telling.went(GATE, 20, "then")
    assert run(telling, 66) == [(GATE, "over")]


def test_what_was_given_up_is_not_begun_again_by_a_restart() -> None:
    telling = Telling()
    raised(telling, 0, GATE)
    for number in range(TRIES):
        run(telling, 5 + number * LONGEST_WAIT, well=False)
    again = Telling(kept=telling.kept())
    raised(again, 0, GATE)
    assert run(again, 10**6) == []
