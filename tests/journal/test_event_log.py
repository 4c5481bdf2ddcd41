"""The event log's threads: in order, written before the command, synced after, honest when it was too late."""

import asyncio
import subprocess
import sys
import threading
from pathlib import Path
from queue import SimpleQueue

import pytest
from journal_support import FakeClock, FaultyDisk, settled, stamper, wait_all

from gatehand.journal.line import LogLine, Stamper
from gatehand.journal.reader import EventReader
from gatehand.journal.threads import Health
from gatehand.journal.writer import EventLog
from gatehand_rules.findings import Happened


class StallingDisk(FaultyDisk):
    """A disk whose sync waits for `go`; with `writes`, its writes wait too."""

    def __init__(self, *, writes: bool = False) -> None:
        super().__init__()
        self.writes = writes
        self.go = threading.Event()
        self.go.set()
        self.writing = threading.Event()
        self.asked = threading.Event()
        """Set once a write, a sync has begun."""

    def write(self, handle: int, data: bytes) -> int:
        self.writing.set()
        if self.writes:
            self.go.wait(10)
        return super().write(handle, data)

    def sync(self, handle: int) -> None:
        self.asked.set()
        self.go.wait(10)
        super().sync(handle)


class FailsOnce(StallingDisk):
    """A disk whose first sync waits for `go` and fails."""

    def sync(self, handle: int) -> None:
        self.sync_fails = not self.asked.is_set()
        super().sync(handle)


def events(folder: Path) -> list[str]:
    return [str(line["event"]) for line in EventReader(folder).lines()]


def on(stamps: Stamper) -> list[LogLine]:
    return [stamps.note(Happened.COLLECTOR_ON, 1.0, collector="main")]


def test_lines_stand_in_the_file_in_their_order_and_a_ticket_says_when(tmp_path: Path) -> None:
    log = EventLog(tmp_path, stamper=stamper(FakeClock()))
    tickets = [log.append([log.stamper.note("tool_started", float(n))]) for n in range(500)]
    assert wait_all(tickets, 10)
    assert all(ticket.written for ticket in tickets)
    assert [line["seq"] for line in EventReader(tmp_path).lines()] == list(range(1, 501))
    assert log.close()


def test_lines_that_wait_together_share_one_sync(tmp_path: Path) -> None:
    disk = StallingDisk()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    tickets = [log.append(on(log.stamper)) for _ in range(100)]
    assert wait_all(tickets, 10)
    assert disk.asked.wait(5)
    assert disk.syncs == 0
    disk.go.set()
    log.close()
    assert 1 <= disk.syncs <= 2


def test_rejected_readings_are_written_without_a_sync(tmp_path: Path) -> None:
    disk = StallingDisk()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    assert log.append([log.stamper.note(Happened.READING_REJECTED, 1.0)]).wait(5)
    assert not disk.asked.is_set()
    assert log.append(on(log.stamper)).wait(5)
    assert disk.asked.wait(5)
    disk.go.set()
    log.close()
    assert disk.syncs == 1


def test_the_explanation_is_written_when_its_ticket_says_so_and_its_sync_follows(tmp_path: Path) -> None:
    disk = StallingDisk()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    for written in range(1, 4):
        ticket = log.append(on(log.stamper))
        assert ticket.wait(5), "no line waits for the sync of another"
        assert ticket.written
        assert events(tmp_path) == ["collector_on"] * written
    assert disk.asked.wait(5)
    assert disk.syncs == 0
    disk.go.set()
    log.close()
    assert 1 <= disk.syncs <= 3


def test_a_sync_that_fails_is_told_in_the_log_with_the_number_of_its_lines(tmp_path: Path) -> None:
    disk, said = FaultyDisk(), SimpleQueue[str | None]()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk, health=Health(None, said.put))
    disk.sync_fails = True
    assert log.append(on(log.stamper)).wait(5)
    assert "Input/output error" in str(said.get(timeout=5))
    disk.sync_fails = False
    assert log.append(on(log.stamper)).wait(5)
    log.close()
    lines = list(EventReader(tmp_path).lines())
    assert [line["event"] for line in lines] == ["collector_on", "log_gap", "collector_on"]
    assert lines[1]["unsure"] == 1


def test_a_sync_that_fails_at_the_very_end_is_told_too(tmp_path: Path) -> None:
    disk = FailsOnce()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    assert log.append(on(log.stamper)).wait(5)
    disk.go.set()
    log.close()
    assert [line["event"] for line in EventReader(tmp_path).lines()] == ["collector_on", "log_gap"]


async def test_a_stalled_write_keeps_nobody_and_loses_nothing(tmp_path: Path) -> None:
    disk = StallingDisk(writes=True)
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    tickets = [log.append(on(log.stamper)) for _ in range(100)]
    assert await asyncio.to_thread(disk.writing.wait, 5)
    assert not any(ticket.wait(0) for ticket in tickets)
    disk.go.set()
    assert await settled(tickets[-1])
    assert log.close()
    assert events(tmp_path) == ["collector_on"] * 100


async def test_a_full_disk_raises_an_alarm_once_in_the_loops_thread_and_ends_with_a_gap_line(tmp_path: Path) -> None:
    disk = FaultyDisk()
    said: list[str | None] = []
    threads: set[int] = set()

    def say(text: str | None) -> None:
        said.append(text)
        threads.add(threading.get_ident())

    log = EventLog(
        tmp_path,
        stamper=stamper(FakeClock()),
        disk=disk,
        health=Health(asyncio.get_running_loop(), say),
    )
    assert await settled(log.append(on(log.stamper)))
    disk.room = 30
    for _ in range(3):
        ticket = log.append(on(log.stamper))
        assert not await settled(ticket)
        assert ticket.done_at is not None, "a refusal is an answer, not a stall"
    disk.room = None
    assert await settled(log.append(on(log.stamper)))
    assert log.close()
    await asyncio.sleep(0)
    assert len(said) == 2
    assert threads == {threading.get_ident()}
    assert "the event log cannot be written (No space left on device)" in str(said[0])
    assert said[1] is None
    assert events(tmp_path) == ["collector_on", "log_gap", "collector_on"]


def test_an_idle_log_notices_by_itself_that_the_disk_is_well_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gatehand.journal.writer._PROBE_EVERY", 0.02)
    disk, said = FaultyDisk(), SimpleQueue[str | None]()
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk, health=Health(None, said.put))
    disk.room = 0
    assert log.append(on(log.stamper)).wait(5)
    assert "No space left" in str(said.get(timeout=5))
    disk.room = None
    assert said.get(timeout=5) is None
    assert events(tmp_path) == ["log_gap"]
    log.close()


def test_lines_beyond_the_queue_are_counted_in_their_place(tmp_path: Path) -> None:
    disk = StallingDisk(writes=True)
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk, limit=5)
    disk.go.clear()
    log.append(on(log.stamper))
    assert disk.writing.wait(5)
    tickets = [log.append(on(log.stamper)) for _ in range(9)]
    assert [ticket.wait(0) for ticket in tickets] == [False] * 5 + [True] * 4
    assert not tickets[-1].written
    disk.go.set()
    assert wait_all(tickets, 5)
    assert log.append(on(log.stamper)).wait(5)
    log.close()
    lines = list(EventReader(tmp_path).lines())
    assert [line["seq"] for line in lines] == [1, 2, 3, 4, 5, 6, 10, 11]
    assert (lines[6]["event"], lines[6]["lost"], lines[6]["first_lost"]) == ("log_gap", 4, 7)


def test_lines_refused_at_the_very_end_are_told_at_close(tmp_path: Path) -> None:
    disk = StallingDisk(writes=True)
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk, limit=1)
    disk.go.clear()
    for _ in range(4):
        log.append(on(log.stamper))
        assert disk.writing.wait(5)
    disk.go.set()
    log.close()
    assert [line.get("lost") for line in EventReader(tmp_path).lines()] == [None, None, 2]


def test_a_disk_that_never_answers_does_not_keep_the_daemon_from_stopping(tmp_path: Path) -> None:
    disk = StallingDisk(writes=True)
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), disk=disk)
    disk.go.clear()
    log.append(on(log.stamper))
    assert not log.close(within=0.05)
    disk.go.set()
    assert log.close()


def test_a_simulation_writes_without_a_thread(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), threaded=False)
    assert log.append(on(log.stamper)).written
    assert set(threading.enumerate()) <= before
    assert log.close()


WRITER = """
import sys
from pathlib import Path
from gatehand.journal.clock import SystemClock
from gatehand.journal.line import Stamper
from gatehand.journal.writer import EventLog

log = EventLog(Path(sys.argv[1]), stamper=Stamper("run1", SystemClock()))
while True:
    line = log.stamper.note("collector_on", 1.0, collector="main")
    ticket = log.append([line])
    if ticket.wait(10) and ticket.written:
        print(line["seq"], flush=True)
"""


def test_what_was_said_to_be_on_disk_is_there_after_the_process_is_killed(tmp_path: Path) -> None:
    path = ":".join(entry for entry in sys.path if entry)
    child = subprocess.Popen(  # noqa: S603 - our own program
        [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": path}
    )
    assert child.stdout is not None
    said = [int(child.stdout.readline()) for _ in range(50)]
    child.kill()
    said += [int(text) for text in child.stdout.read().splitlines()]
    child.wait()
    child.stdout.close()
    found = [line["seq"] for line in EventReader(tmp_path).lines()]
    assert found[: len(said)] == said
    assert len(found) - len(said) <= 1
    log = EventLog(tmp_path, stamper=stamper(FakeClock()), threaded=False)
    assert log.close(), "the lock went with the process"
