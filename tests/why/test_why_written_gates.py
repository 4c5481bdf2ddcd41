"""Answers about gates from logs written by hand: jammed, never heard, offline."""

from pathlib import Path

import pytest

from why.written_log import AT, FAN, GATE, SAW, WHY, faulty, started

GONE = "Look at its device's power and network."
UNHEARD = "3 s later had not said where it is"
SHUT_GATES = "the collector does not start against shut gates, and no other is known open"
MAY_BE_SHUT = "had not said where it is; it may be shut already"
LOOK = "Look at state in [gate.band_saw] (topic, pointer), and at its device's power and network."
COMMAND = (
    " If the device itself is in order, look at command in [gate.band_saw]: it is told '{}' on shop/gate/band_saw/set."
)


def test_a_gates_own_answers(tmp_path: Path) -> None:
    found = faulty(tmp_path).told(GATE, 3000)
    assert found["verdict"] == (
        "gate band saw was told to open at 09:00:00 and had not reported it 3 s later (travel 1.5 s, 1 retry): it "
        "counts as "
        "faulty"
    )
    log = started(tmp_path)
    assert log.told(GATE, 0)["verdict"] == "there is nothing about gate band saw in the log up to 09:00:00"
    assert log.told(FAN, 0)["verdict"] == "there is nothing about the collector in the log up to 09:00:00"
    log.add(-5000, "gate_commanded", "demand", gate="band_saw", collector="main", to="open")
    found = log.told(GATE, 0)
    assert found["verdict"] == (
        "nothing asked gate band saw to move at 09:00:00; the last about it: 08:59:55 gate band saw told to open"
    )
    log.add(-4000, "gate_open", "report", gate="band_saw", collector="main", took=1)
    assert log.told(GATE, 0)["verdict"].endswith(
        "; the last about it: 08:59:55 gate band saw told to open; 08:59:56 gate band saw is open: it reported "
        "after 1 s"
    )
    log.add(1000, "command_vetoed", "min_open", gate="band_saw", command="shut", proven_open=0, min_open=1)
    found = log.told(GATE, 1000)
    assert (found["case"], found["at"]) == ("vetoed", "2026-03-05T09:00:01.000Z")
    assert found["verdict"].startswith('at 09:00:01: the command "shut" for gate band saw was held back')
    log.add(2000, "device_offline", "offline", gate="band_saw")
    found = log.told(GATE, 2000)
    assert found["case"] == "offline"
    assert found["verdict"].startswith("the device of gate band saw was offline at 09:00:02, since 09:00:02 (0 s)")


def test_a_gate_that_was_never_heard_is_not_jammed(tmp_path: Path) -> None:
    log = faulty(tmp_path, never_heard=True)
    of_gate = log.told(GATE)
    assert (of_gate["case"], of_gate["verdict"], of_gate["next_step"], of_gate["at"]) == (
        "gate_unheard",
        f"gate band saw was told to open at 09:00:00 and {UNHEARD}: it counts as faulty, though it may have moved",
        LOOK + COMMAND.format("open"),
        "2026-03-05T09:00:00.000Z",
    )
    of_saw = log.told(SAW)
    assert (of_saw["case"], of_saw["verdict"], of_saw["next_step"]) == (
        "gate_unheard",
        f"{WHY}gate band saw was told to open and {UNHEARD}; {SHUT_GATES}",
        LOOK + COMMAND.format("open"),
    )
    odd = "state: found text, want JSON"
    log.add(1000, "reading_rejected", "bad_value", gate="band_saw", collector="main", why=odd, shown="ajar")
    assert log.told(GATE, 3000)["case"] == log.told(SAW, 0)["case"] == "gate_not_understood"


def test_a_gate_that_was_not_tried_again_has_no_count_of_retries(tmp_path: Path) -> None:
    """It was shut and opened once instead, so that it would report."""
    log = faulty(tmp_path, retries=None)
    assert log.told(GATE)["verdict"] == (
        "gate band saw was told to open at 09:00:00 and had not reported it 3 s later (travel 1.5 s): it counts as "
        "faulty"
    )
    assert log.told(SAW)["verdict"] == (
        f"{WHY}gate band saw was told to open and had not reported open 3 s later (travel 1.5 s), so it counts as "
        "faulty; the collector does not start against shut gates"
    )


def test_a_gate_that_was_never_heard_and_came_late_is_told_as_late(tmp_path: Path) -> None:
    log = faulty(tmp_path, never_heard=True).add(3000, "start_refused", "no_gate_proven", **AT)
    log.add(5000, "gate_open", "report", gate="band_saw", collector="main")
    found = log.add(5100, "collector_on", "demand", collector="main").told(SAW, 0)
    assert found["case"] == "gate_late"
    assert found["verdict"].startswith("band saw got its air late, at 09:00:05, 5.1 s after its start at 09:00:00")


def test_a_gate_whose_device_was_offline_by_the_fault_itself(tmp_path: Path) -> None:
    """The line that says since when may be lost: the fault's own word counts."""
    log = faulty(tmp_path, offline=True)
    gone = "could not be reached: its device had been offline, as its online topic said"
    assert (log.told(GATE)["case"], log.told(GATE)["verdict"], log.told(GATE)["next_step"]) == (
        "offline",
        f"gate band saw was told to open at 09:00:00 and {gone}",
        GONE,
    )
    assert (log.told(SAW)["case"], log.told(SAW)["verdict"], log.told(SAW)["next_step"]) == (
        "offline",
        f"{WHY}gate band saw {gone}",
        GONE,
    )


def test_a_gate_told_to_shut_and_never_heard_may_be_shut(tmp_path: Path) -> None:
    log = started(tmp_path).add(-3000, "gate_commanded", "demand", gate="band_saw", collector="main", to="shut")
    log.add(0, "gate_unheard", "not_heard_live", gate="band_saw", collector="main", wanted="shut", travel=1.5)
    assert log.ask_or_none(None) is None, "nothing failed to happen"
    assert log.ask_or_none(SAW) is None
    found = log.told(GATE)
    assert (found["case"], found["verdict"], found["next_step"], found["at"]) == (
        "gate_unheard",
        f"gate band saw was told to shut and by 09:00:00 {MAY_BE_SHUT}",
        LOOK + COMMAND.format("shut"),
        "2026-03-05T09:00:00.000Z",
    )
    assert log.told(GATE, -61_001)["lead"] == (
        "Nothing happened to gate band saw at 08:58:58; the nearest is at 09:00:00: "
    )
    assert log.told(GATE, 600_000)["verdict"] == (
        "nothing asked gate band saw to move at 09:10:00; the last about it: 08:59:57 gate band saw told to shut; "
        "09:00:00 gate band saw was told to shut and has not said where it is; it may "
        "be shut already"
    )


def test_a_fault_of_long_ago_is_the_last_of_a_gate(tmp_path: Path) -> None:
    log = faulty(tmp_path).add(0, "gate_commanded", "demand", gate="band_saw", collector="main", to="open")
    assert log.told(GATE, 600_000)["verdict"] == (
        "nothing asked gate band saw to move at 09:10:00; the last about it: 09:00:00 gate band saw told to open; "
        "09:00:03 gate band saw did not open in 3 s with 1 retry (travel 1.5 s)"
    )


def test_a_gate_whose_device_was_away_for_a_while(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "device_offline", "offline", gate="band_saw")
    gone = "the device of gate band saw went offline at 09:00:00, as its online topic said"
    assert log.told(GATE, -61_001)["verdict"] == f"{gone}: no command reached it meanwhile"
    assert log.told(GATE, -61_001)["lead"].startswith("Nothing happened to gate band saw at 08:58:58; the nearest ")
    found = log.told(GATE, 200_000)
    assert found["verdict"] == (
        "the device of gate band saw was offline at 09:03:20, since 09:00:00 (3 min 20 s), as its online topic "
        "said: no command reached it"
    )
    log.add(60_000, "device_online", "offline", gate="band_saw")
    assert log.told(GATE, 90_000)["verdict"] == f"{gone}; it was back at 09:01:00: no command reached it meanwhile"


@pytest.mark.parametrize(
    ("alarm", "gate", "ends"),
    [
        ("gate.band_saw.offline", "band_saw", True),
        ("gate.band_saw.fault", "band_saw", False),
        ("gate.bench.offline", "bench", False),
    ],
)
def test_an_edit_that_watches_a_gate_no_more_ends_its_absence(
    tmp_path: Path, alarm: str, gate: str, ends: bool
) -> None:
    """No device is back, only the alarm is over: it is offline no longer for all that is known."""
    log = started(tmp_path).add(0, "device_offline", "offline", gate="band_saw")
    log.add(1000, "alarm_cleared", "offline", gate=gate, alarm=alarm)
    assert (log.told(GATE, 600_000)["case"] == "nothing_in_the_log") is ends
