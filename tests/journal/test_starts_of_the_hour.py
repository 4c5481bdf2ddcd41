"""The motor starts of the last hour are found in the log again, whatever the clocks have done."""

from pathlib import Path
from typing import Any

import pytest
from journal_support import NOON, FakeClock, stamper

from gatehand.journal.line import encode
from gatehand.journal.starts import starts_of_the_hour


class Shop:
    """A daemon's log, and the clocks of its machine."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = FakeClock()
        self._stamps = stamper(self.clock)
        self._runs = 1

    def restart(self, *, up: float | None = None, wall: float | None = None, synced: bool | None = None) -> None:
        """The daemon starts anew; `up`: so does the machine, so many seconds ago. `wall`: what its clock says then."""
        self._runs += 1
        self._stamps = stamper(self.clock, f"run{self._runs}")
        self.clock.monotonic = self.clock.monotonic if up is None else up
        self.clock.at = self.clock.at if wall is None else wall
        self.clock.kept = self.clock.kept if synced is None else synced

    def say(self, event: str, **facts: Any) -> None:  # noqa: ANN401 - a fact
        line = self._stamps.note(event, self.clock.monotonic) | facts
        with (self.folder / f"events-{str(line['ts'])[:10]}.jsonl").open("ab") as file:
            file.write(encode(line))

    def start(self, counted: int | None = 1, rule: str = "demand", collector: str = "main") -> None:
        self.say("collector_on", collector=collector, rule=rule, starts_this_hour=counted, starts_per_hour=4)

    def found(self) -> dict[str, list[float]]:
        """How long ago each was."""
        starts = starts_of_the_hour(self.folder, self.clock)
        return {name: [round(self.clock.mono() - at, 3) for at in each] for name, each in starts.items()}


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def test_no_log_no_starts(shop: Shop) -> None:
    assert shop.found() == {}
    assert starts_of_the_hour(shop.folder / "not there", shop.clock) == {}


def test_the_last_hour_counts_and_nothing_before_it(shop: Shop) -> None:
    for collector in ("main", "main", "north", "main"):
        shop.start(collector=collector)
        shop.clock.step(1200)
    assert shop.found() == {"main": [1200.0], "north": [2400.0]}, "the second is an hour old to the second"
    shop.clock.step(-0.5)
    assert shop.found() == {"main": [3599.5, 1199.5], "north": [2399.5]}


def test_a_refresh_and_the_telling_of_a_fan_that_turned_are_no_starts(shop: Shop) -> None:
    shop.start()
    shop.clock.step(20)
    shop.start(rule="refresh", counted=None)
    shop.start(rule="refresh")  # as older logs have it
    shop.start(counted=None)
    shop.say("collector_off", collector="main", rule="no_demand")
    assert shop.found() == {"main": [20.0]}


@pytest.mark.parametrize("by", [7200.0, -7200.0, 90_000.0])
def test_a_wall_clock_that_stepped_changes_nothing(shop: Shop, by: float) -> None:
    shop.start()
    shop.clock.step(600)
    shop.clock.at += by
    shop.say("clock_stepped", by_seconds=by)
    shop.clock.step(60)
    shop.start()
    shop.clock.step(30)
    assert shop.found() == {"main": [690.0, 30.0]}


def test_after_a_start_of_the_machine_a_start_may_lie_before_the_clocks_zero(shop: Shop) -> None:
    shop.start()
    shop.clock.step(600)
    shop.clock.monotonic = 20.0
    assert starts_of_the_hour(shop.folder, shop.clock) == {"main": (-580.0,)}


def test_over_midnight_both_files_count(shop: Shop) -> None:
    shop.clock.step(12 * 3600 - 60)
    shop.start()
    shop.clock.step(120)
    shop.start()
    assert shop.found() == {"main": [120.0, 0.0]}


def test_what_cannot_be_read_is_passed_over(shop: Shop) -> None:
    shop.start()
    shop.clock.step(5)
    path = next(shop.folder.glob("events-*.jsonl"))
    with path.open("ab") as file:
        file.write(b'{"ts":"next week","event":"collector_on","collector":"main"}\n{"ts":"2026-03-')
    assert shop.found() == {"main": [5.0]}


# --- a machine without a clock chip, and others whose wall time is not to be believed

DAY = 86_400.0


@pytest.mark.parametrize("behind", [600.0, 5 * 3600.0, 3 * DAY, 40 * DAY, NOON], ids=str)
@pytest.mark.parametrize("synced", [True, False])
def test_a_clock_that_is_behind_at_the_restart_forgets_no_start(shop: Shop, behind: float, *, synced: bool) -> None:
    for _ in range(6):  # a week's files, so that those of days to come are several
        shop.start(collector="other")
        shop.clock.step(DAY)
    shop.clock.kept = synced
    shop.start()
    shop.clock.step(600)
    shop.say("collector_off", collector="main")
    shop.clock.step(5)
    shop.restart(up=20.0, wall=max(0.0, shop.clock.at - behind), synced=False)
    shop.say("daemon_started")
    shop.clock.step(10)
    assert shop.found()["main"] == [630.0], "600 s before the last line, and the machine is up for 30 s"


def test_a_run_whose_clock_was_far_behind_all_along_is_not_taken_for_an_old_one(shop: Shop) -> None:
    for _ in range(5):
        shop.say("daemon_started")
        shop.clock.step(DAY)
    right = shop.clock.at
    shop.restart(up=20.0, wall=1000.0, synced=False)
    shop.start()
    shop.clock.step(300)
    shop.say("collector_off", collector="main")
    shop.restart(wall=right + 320.0, synced=True)
    shop.say("daemon_started")
    assert shop.found() == {"main": [300.0]}


def test_a_run_that_was_put_right_within_it_counts_by_its_own_time(shop: Shop) -> None:
    shop.restart(up=20.0, wall=NOON - 5 * DAY, synced=False)
    shop.start()
    shop.clock.step(300)
    shop.clock.at += 5 * DAY
    shop.clock.kept = True
    shop.say("clock_stepped", by_seconds=5 * DAY)
    shop.clock.step(300)
    shop.restart()
    shop.say("daemon_started")
    assert shop.found() == {"main": [600.0]}


def test_kept_clocks_say_how_long_the_machine_was_off(shop: Shop) -> None:
    for off, found in ((1200.0, {"main": [1800.0]}), (3000.0, {})):
        shop.start()
        shop.clock.step(600)
        shop.say("collector_off", collector="main")
        shop.restart(up=20.0, wall=shop.clock.at + off)
        assert shop.found() == found
        shop.clock.step(7200)


def test_kept_clocks_say_it_too_where_the_new_run_began_before_its_clock_was_set(shop: Shop) -> None:
    shop.start()
    shop.clock.step(600)
    shop.say("collector_off", collector="main")
    right = shop.clock.at + 3600
    shop.restart(up=20.0, wall=shop.clock.at - 100, synced=False)
    shop.say("daemon_started")
    shop.clock.step(30)
    shop.clock.at, shop.clock.kept = right, True
    shop.say("clock_stepped", by_seconds=0.0)
    shop.clock.step(30)
    shop.restart()
    assert shop.found() == {}


def test_without_a_kept_clock_the_machines_own_time_still_ends_the_hour(shop: Shop) -> None:
    shop.clock.kept = False
    shop.start()
    shop.clock.step(1800)
    shop.restart()
    shop.say("daemon_started")
    shop.clock.step(1799)
    assert shop.found() == {"main": [3599.0]}
    shop.clock.step(1)
    assert shop.found() == {}


def test_without_a_kept_clock_a_start_counts_for_longer_than_an_hour_and_never_for_less(shop: Shop) -> None:
    shop.clock.kept = False
    shop.start()
    shop.clock.step(1800)
    shop.say("collector_off", collector="main")
    shop.restart(up=20.0, wall=shop.clock.at + 12 * 3600)
    assert shop.found() == {"main": [1820.0]}, "nobody knows for how long the machine was off"
    shop.clock.step(1780)
    assert shop.found() == {}, "it is up for half an hour now, and the start lay half an hour before its end"


def test_a_start_without_a_limit_is_found_too(shop: Shop) -> None:
    shop.say("collector_on", collector="main", rule="demand", starts_this_hour=3, starts_per_hour=None)
    shop.clock.step(60)
    assert shop.found() == {"main": [60.0]}
