"""Files of the event log: mended after any cut, honest about any loss, removed only when surely old."""

import errno
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from journal_support import NOON, FakeClock, FaultyDisk, stamper

from gatehand.journal.files import EventFiles, LogFolderError
from gatehand.journal.line import LogLine, Stamper, encode
from gatehand.journal.reader import EventReader

TODAY = "events-2026-03-05.jsonl"


def opened(
    folder: Path, clock: FakeClock, disk: FaultyDisk | None = None, keep: int = 400
) -> tuple[EventFiles, Stamper]:
    stamps = stamper(clock)
    files = EventFiles(folder, stamps, keep, disk or FaultyDisk())
    files.open()
    return files, stamps


def write(files: EventFiles, line: LogLine) -> bool:
    return files.write(encode(line), str(line["ts"]), int(line["seq"] or 0))


def test_every_cut_of_the_last_line_keeps_its_bytes_and_tells_of_them(tmp_path: Path) -> None:
    clock = FakeClock()
    whole = encode(stamper(clock).note("daemon_started", 1.0, facts={"version": "ä"}))
    for cut in range(len(whole) + 1):
        folder = tmp_path / str(cut)
        folder.mkdir()
        (folder / TODAY).write_bytes(whole + whole[:cut])
        files, stamps = opened(folder, clock)
        assert write(files, stamps.note("config_loaded", 2.0))
        files.close()
        data = (folder / TODAY).read_bytes()
        assert data.startswith(whole + whole[:cut])
        gaps = [line for line in EventReader(folder).lines() if line["event"] == "log_gap"]
        if 0 < cut < len(whole):
            assert [gap["torn_bytes"] for gap in gaps] == [cut]
            assert data[len(whole) + cut : len(whole) + cut + 1] == b"\n"
        else:
            assert gaps == []
        assert [line["event"] for line in EventReader(folder).lines()][-1] == "config_loaded"


def test_a_disk_full_at_any_byte_loses_lines_but_counts_each(tmp_path: Path) -> None:
    size = len(encode(stamper(FakeClock()).note("tool_started", 1.0, tool="band_saw")))
    for room in range(0, 4 * size, 3):
        clock, disk = FakeClock(), FaultyDisk()
        folder = tmp_path / str(room)
        files, stamps = opened(folder, clock, disk)
        disk.room = room
        first = [write(files, stamps.note("tool_started", 1.0, tool="band_saw")) for _ in range(5)]
        assert files.trouble is not None
        assert "No space left on device" in files.trouble
        disk.room = None
        assert write(files, stamps.note("tool_stopped", 2.0, tool="band_saw"))
        assert files.trouble is None
        files.close()
        lines = list(EventReader(folder).lines())
        gap = next(line for line in lines if line["event"] == "log_gap")
        assert gap["lost"] == first.count(False)
        assert (gap["first_lost"], gap["last_lost"]) == (first.index(False) + 1, 5)
        numbers = [line["seq"] for line in lines]
        assert numbers == sorted(numbers)
        assert lines[-1]["event"] == "tool_stopped"
        # Each line is there, or counted; one that lost nothing but its newline may be both.
        assert {n for n, ok in enumerate(first, 1) if ok} <= set(numbers)


def test_a_gap_line_that_does_not_fit_is_written_later(tmp_path: Path) -> None:
    clock, disk = FakeClock(), FaultyDisk()
    files, stamps = opened(tmp_path, clock, disk)
    disk.room = 0
    assert not write(files, stamps.note("tool_started", 1.0))
    disk.room = 40
    assert not write(files, stamps.note("tool_stopped", 1.0))
    disk.room = None
    assert files.probe()
    files.close()
    gap = list(EventReader(tmp_path).lines())[-1]
    assert (gap["lost"], gap["torn_bytes"], gap["seq"]) == (2, 40, 2)


def test_a_gap_line_of_its_own_number_that_does_not_fit_is_counted_as_lost(tmp_path: Path) -> None:
    (tmp_path / TODAY).write_bytes(b'{"ts":"torn')
    disk = FaultyDisk()
    disk.room = 20
    files, stamps = opened(tmp_path, FakeClock(), disk)
    assert files.trouble is not None
    disk.room = None
    assert write(files, stamps.note("daemon_started", 1.0))
    files.close()
    told = [line for line in EventReader(tmp_path).lines() if line["event"] == "log_gap"]
    assert [(line["seq"], line["lost"], line["first_lost"]) for line in told] == [(1, 1, 1)]


def test_a_torn_line_gets_its_newline_in_the_very_write_that_tells_of_it(tmp_path: Path) -> None:
    """A daemon killed in between would leave a torn line that nothing tells of."""
    (tmp_path / TODAY).write_bytes(b'{"ts":"torn')
    written: list[bytes] = []

    class Watched(FaultyDisk):
        def write(self, handle: int, data: bytes) -> int:
            written.append(data)
            return super().write(handle, data)

    opened(tmp_path, FakeClock(), Watched())
    assert len(written) == 1
    assert written[0].startswith(b"\n{")
    assert b"log_gap" in written[0]


def test_a_sync_that_fails_is_told_as_unsure(tmp_path: Path) -> None:
    clock, disk = FakeClock(), FaultyDisk()
    files, stamps = opened(tmp_path, clock, disk)
    disk.sync_fails = True
    assert write(files, stamps.note("tool_started", 1.0))
    error = files.sync()
    assert error is not None
    files.doubt(1, error)
    disk.sync_fails = False
    assert files.probe()
    files.close()
    events = [(line["event"], line.get("unsure")) for line in EventReader(tmp_path).lines()]
    assert events == [("tool_started", None), ("log_gap", 1)]


@pytest.mark.parametrize("how", ["removed", "moved", "file_removed"])
def test_a_folder_or_file_that_vanishes_is_made_again(tmp_path: Path, how: str) -> None:
    folder = tmp_path / "log"
    files, stamps = opened(folder, FakeClock())
    assert write(files, stamps.note("tool_started", 1.0))
    match how:
        case "removed":
            shutil.rmtree(folder)
        case "moved":
            folder.rename(tmp_path / "elsewhere")
        case _:
            (folder / TODAY).unlink()
    files.look_again()
    assert write(files, stamps.note("tool_stopped", 2.0))
    files.close()
    assert [line["event"] for line in EventReader(folder).lines()] == ["tool_stopped"]


def test_a_folder_that_cannot_be_written_is_a_clear_error_at_start(tmp_path: Path) -> None:
    (tmp_path / "log").write_text("a file stands here")
    with pytest.raises(LogFolderError, match=r"log: the log cannot be written here .*\[log\] folder"):
        opened(tmp_path / "log", FakeClock())
    disk = FaultyDisk(open_fails=errno.EROFS)
    with pytest.raises(LogFolderError, match=r"Read-only file system.*make the folder writable"):
        opened(tmp_path / "other", FakeClock(), disk)


def test_a_disk_that_is_full_at_the_start_costs_lines_and_no_daemon(tmp_path: Path) -> None:
    disk = FaultyDisk(open_fails=errno.ENOSPC)
    files, stamps = opened(tmp_path, FakeClock(), disk)
    assert files.trouble is not None
    assert not write(files, stamps.note("daemon_started", 1.0))
    disk.open_fails = None
    assert files.probe()
    assert files.trouble is None
    assert write(files, stamps.note("tool_started", 2.0))
    files.close()
    lines = [json.loads(raw) for raw in (tmp_path / TODAY).read_bytes().splitlines()]
    assert [(line["event"], line["seq"]) for line in lines] == [("log_gap", 1), ("tool_started", 2)]
    assert lines[0]["lost"] == 1


def test_two_daemons_never_write_one_log(tmp_path: Path) -> None:
    first, _ = opened(tmp_path, FakeClock())
    with pytest.raises(LogFolderError, match="another Gatehand daemon writes its log here"):
        opened(tmp_path, FakeClock())
    first.close()
    second, _ = opened(tmp_path, FakeClock())
    second.close()


def test_a_new_day_gets_a_new_file_and_a_step_back_over_midnight_does_not(tmp_path: Path) -> None:
    clock = FakeClock(at=datetime(2026, 3, 5, 23, 59, tzinfo=UTC).timestamp())
    files, stamps = opened(tmp_path, clock)
    for seconds in (0, 120, -180, 240):
        clock.step(seconds)
        assert write(files, stamps.note("tool_started", clock.monotonic))
    files.close()
    days = {path.name: path.read_text().count("\n") for path in tmp_path.glob("*.jsonl")}
    assert days == {TODAY: 1, "events-2026-03-06.jsonl": 3}
    assert [line["seq"] for line in EventReader(tmp_path).lines()] == [1, 2, 3, 4]
    window = EventReader(tmp_path).lines(datetime(2026, 3, 5, 23, 57, tzinfo=UTC), datetime(2026, 3, 6, tzinfo=UTC))
    assert [line["seq"] for line in window] == [1, 3]


def test_a_wild_clock_that_is_put_right_goes_on_in_the_right_file(tmp_path: Path) -> None:
    clock = FakeClock(at=datetime(2051, 1, 1, tzinfo=UTC).timestamp(), kept=False)
    files, stamps = opened(tmp_path, clock)
    assert write(files, stamps.note("tool_started", 1.0))
    clock.at = NOON
    assert write(files, stamps.note("tool_stopped", 2.0))
    files.close()
    assert (tmp_path / TODAY).exists()
    # The one written under the wrong clock is not taken for the newest for the next 25 years.
    today = datetime.fromtimestamp(NOON, UTC)
    assert [line["seq"] for line in EventReader(tmp_path, today).lines()] == [1, 2]


def aged(folder: Path, days: int) -> str:
    day = (datetime.fromtimestamp(NOON, UTC) - timedelta(days=days)).date().isoformat()
    path = folder / f"events-{day}.jsonl"
    path.write_text(json.dumps({"ts": f"{day}T10:00:00.000Z", "event": "tool_started"}) + "\n")
    return path.name


def test_files_older_than_keep_days_go_by_name_and_content(tmp_path: Path) -> None:
    kept, gone = aged(tmp_path, 9), aged(tmp_path, 11)
    future = aged(tmp_path, -9000)
    misnamed = tmp_path / "events-2020-01-01.jsonl"
    misnamed.write_text('{"ts":"2026-03-04T10:00:00.000Z","event":"tool_started"}\n')
    foreign = tmp_path / "notes-2020-01-01.txt"
    foreign.write_text("mine")
    files, _ = opened(tmp_path, FakeClock(), keep=10)
    files.close()
    names = {path.name for path in tmp_path.iterdir()}
    assert gone not in names
    assert {kept, future, misnamed.name, foreign.name, TODAY} <= names


def test_a_clock_that_nobody_keeps_never_costs_the_newest_files(tmp_path: Path) -> None:
    names = [aged(tmp_path, days) for days in (3, 2, 1)]
    wild = FakeClock(at=datetime(2051, 1, 1, tzinfo=UTC).timestamp(), kept=False)
    files, _ = opened(tmp_path, wild, keep=10)
    files.close()
    assert set(names) <= {path.name for path in tmp_path.iterdir()}


def test_keep_days_0_keeps_all(tmp_path: Path) -> None:
    old = aged(tmp_path, 9000)
    files, _ = opened(tmp_path, FakeClock(), keep=0)
    files.close()
    assert (tmp_path / old).exists()
