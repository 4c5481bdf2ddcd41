"""The motor starts of the last hour are found in the log again, whatever the clocks have done."""

from pathlib import Path
from typing import Any

import pytest
from journal_support import FakeClock, stamper

from gatehand.journal.line import encode
from gatehand.journal.starts import starts_of_the_hour


class Shop:
    """A daemon's log, and the clocks of its machine."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = FakeClock()
        self._stamps = stamper(self.clock)

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
    assert shop.found() == {}, "a line without a time ends the search"
