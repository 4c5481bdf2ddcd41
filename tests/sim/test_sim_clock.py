"""I9: a wall clock that jumps changes nothing. The same day is played with and without jumps."""

from random import Random

import pytest
from sim_daemon import VirtualDaemon
from sim_happening import Happening
from sim_play import play, shop_of
from sim_script import BROKER_FAULTS, DAEMON_FAULTS, DISK_FAULTS, script

JUMPS = (-90_000.0, -7200.0, -1.5, 61.0, 3600.0, 40_000.0, 90_000.0)
ALMOST = 0.05
"""Seconds: a jump leaves lines of its own in the log, so that a command waits for the disk a moment more or less."""


@pytest.mark.parametrize("number", range(4))
def test_a_wall_clock_that_jumps_by_hours_changes_no_command(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # A jump's own log lines would draw other delays for all that follows: chance must not tell the two days apart.
    monkeypatch.setattr(VirtualDaemon, "_delay_of_disk", lambda _: 0.002)
    monkeypatch.setattr(VirtualDaemon, "_late", lambda _: 0.001)
    seed = f"clock.{number}"
    drawn, random = shop_of(seed), Random(seed)
    at_random = (*BROKER_FAULTS, *DAEMON_FAULTS, *DISK_FAULTS)
    plain = [each for each in script(drawn.config, Random(f"{seed}/script")) if each.kind not in at_random]
    jumps = [
        Happening(round(random.choice(plain).at + random.uniform(0, 5), 3), "wall_jumps", value=random.choice(JUMPS))
        for _ in range(40)
    ]
    without, with_jumps = play(seed, plain, drawn), play(seed, sorted([*plain, *jumps]), drawn)
    assert without.breaches == with_jumps.breaches == []
    assert len(without.told) > 20
    assert [each[1:] for each in with_jumps.told] == [each[1:] for each in without.told]
    for (at, *_), (then, *_) in zip(without.told, with_jumps.told, strict=True):
        assert abs(at - then) < ALMOST
