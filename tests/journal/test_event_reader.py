"""Lines are found again: in any window, from the end, as they come; whatever a crash has left in the files."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from journal_support import FakeClock, stamper

from gatehand.journal import reader as reader_module
from gatehand.journal.line import encode
from gatehand.journal.reader import EventReader, Follower

MIDNIGHT = datetime(2026, 3, 5, tzinfo=UTC)


def fill(folder: Path, days: int = 3, every: timedelta = timedelta(minutes=30)) -> list[tuple[datetime, int]]:
    """A log of some days; when and number of each line."""
    folder.mkdir(exist_ok=True)
    clock = FakeClock(at=MIDNIGHT.timestamp())
    stamps = stamper(clock)
    told = []
    end = (MIDNIGHT + timedelta(days=days)).timestamp()
    while clock.at < end:
        line = stamps.note("tool_started", clock.monotonic, tool="band_saw")
        moment = datetime.fromtimestamp(clock.at, UTC)
        with (folder / f"events-{moment.date()}.jsonl").open("ab") as file:
            file.write(encode(line))
        told.append((moment, int(line["seq"] or 0)))
        clock.step(every.total_seconds())
    return told


@pytest.mark.parametrize("hours", [(0, 72), (5, 6.4), (23.5, 24.5), (47, 49), (80, 90), (-5, 1), (5, 5)])
def test_a_window_gives_its_lines_and_no_others(tmp_path: Path, hours: tuple[float, float]) -> None:
    told = fill(tmp_path)
    since, until = (MIDNIGHT + timedelta(hours=hour) for hour in hours)
    found = [line["seq"] for line in EventReader(tmp_path).lines(since, until)]
    assert found == [seq for moment, seq in told if since <= moment < until]


def test_backwards_is_forwards_from_the_other_end(tmp_path: Path) -> None:
    told = fill(tmp_path, every=timedelta(minutes=1))
    reader = EventReader(tmp_path)
    assert [line["seq"] for line in reader.backwards()] == [seq for _, seq in reversed(told)]
    until = MIDNIGHT + timedelta(hours=30)
    assert next(reader.backwards(until))["seq"] == 30 * 60


def test_a_file_is_also_found_by_what_stands_in_it(tmp_path: Path) -> None:
    told = fill(tmp_path, days=1)
    (tmp_path / "events-2026-03-05.jsonl").rename(tmp_path / "events-2020-01-01.jsonl")
    found = [line["seq"] for line in EventReader(tmp_path).lines(MIDNIGHT, MIDNIGHT + timedelta(days=1))]
    assert found == [seq for _, seq in told]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_prefix_of_a_file_reads_and_reports_no_more_than_its_last_line(data: st.DataObject) -> None:
    stamps = stamper(FakeClock())
    raw = [encode(stamps.note("start_refused", 1.0, tool="säge", facts={"why": "a\nb"})) for _ in range(3)]
    whole = b"".join(raw)
    cut = data.draw(st.integers(0, len(whole)))
    kept = next(n for n in (3, 2, 1, 0) if cut >= len(b"".join(raw[:n])) - (n > 0))
    torn = cut not in (len(b"".join(raw[:n])) - less for n in range(4) for less in (0, 1) if n or not less)
    with TemporaryDirectory() as name:
        (Path(name) / "events-2026-03-05.jsonl").write_bytes(whole[:cut])
        for read in (EventReader.lines, EventReader.backwards):
            reader = EventReader(Path(name))
            assert sorted(int(line["seq"] or 0) for line in read(reader)) == list(range(1, kept + 1))
            assert len(reader.skipped) == torn


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=40), max_size=8))
def test_any_rubbish_reads_as_no_lines(pieces: list[bytes]) -> None:
    with TemporaryDirectory() as name:
        (Path(name) / "events-2026-03-05.jsonl").write_bytes(b"\n".join(pieces))
        reader = EventReader(Path(name))
        assert list(reader.lines()) == []
        assert list(reader.backwards()) == []
        assert list(reader.lines(MIDNIGHT, MIDNIGHT + timedelta(days=1))) == []


def test_a_skipped_line_is_named_with_its_place(tmp_path: Path) -> None:
    fill(tmp_path, days=1, every=timedelta(hours=6))
    path = tmp_path / "events-2026-03-05.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[1][:40] + b"\n" + b"".join(lines[2:]))
    reader = EventReader(tmp_path)
    assert [line["seq"] for line in reader.lines()] == [1, 3, 4]
    assert str(reader.skipped[0]).startswith(f"{path}, line 2: skipped, no JSON: ")
    assert len(list(EventReader(tmp_path).lines(MIDNIGHT + timedelta(hours=12)))) == 2


def test_a_missing_folder_reads_as_no_lines(tmp_path: Path) -> None:
    reader = EventReader(tmp_path / "nowhere")
    assert list(reader.lines()) == list(reader.backwards()) == []


def test_following_waits_for_whole_lines_and_goes_over_midnight(tmp_path: Path) -> None:
    fill(tmp_path, days=1)
    stamps = stamper(FakeClock())
    raw = [encode(stamps.note("tool_started", 1.0)) for _ in range(3)]
    follower = Follower(tmp_path)
    assert follower.poll() == []
    today, tomorrow = tmp_path / "events-2026-03-05.jsonl", tmp_path / "events-2026-03-06.jsonl"
    with today.open("ab") as file:
        file.write(raw[0] + raw[1][:20])
    assert [line["seq"] for line in follower.poll()] == [1]
    with today.open("ab") as file:
        file.write(raw[1][20:])
    tomorrow.write_bytes(raw[2])
    assert [line["seq"] for line in follower.poll()] == [2, 3]
    tomorrow.write_bytes(b"")
    assert follower.poll() == []
    tomorrow.write_bytes(raw[0])
    assert [line["seq"] for line in follower.poll()] == [1]


def test_following_sleeps_between_looks(tmp_path: Path) -> None:
    stamps = stamper(FakeClock())

    def sleep(_seconds: float) -> None:
        with (tmp_path / "events-2026-03-05.jsonl").open("ab") as file:
            file.write(encode(stamps.note("tool_started", 1.0)))

    stream = Follower(tmp_path).follow(sleep)
    assert [next(stream)["seq"] for _ in range(3)] == [1, 2, 3]


def test_an_hour_out_of_a_year_costs_the_file_of_its_day_and_the_last_line_that_of_the_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamps = stamper(FakeClock())
    body = encode(stamps.note("tool_started", 1.0, tool="band_saw", facts={"amps": 6.4, "start_amps": 2.5}))[31:]
    for day in range(365):
        date = (MIDNIGHT + timedelta(days=day)).date().isoformat()
        (tmp_path / f"events-{date}.jsonl").write_bytes(
            b"".join(b'{"ts":"%sT%02d:%02d:00.000Z' % (date.encode(), 8 + n // 60, n % 60) + body for n in range(480))
        )
    read: list[str] = []
    for name in ("_raw_forwards", "_raw_backwards"):
        monkeypatch.setattr(reader_module, name, _noting(getattr(reader_module, name), read))
    reader = EventReader(tmp_path, now=MIDNIGHT + timedelta(days=365))
    nine = MIDNIGHT + timedelta(days=200, hours=9)
    hour = list(reader.lines(nine, nine + timedelta(hours=1)))
    assert len(hour) == 60
    assert set(read) <= {f"events-{(nine + timedelta(days=day)).date().isoformat()}.jsonl" for day in (0, 1)}
    read.clear()
    assert str(next(reader.backwards())["ts"]).startswith("2027-03-04")
    assert read == ["events-2027-03-04.jsonl"]


def _noting(raw: Callable[[Path], Iterator[bytes]], read: list[str]) -> Callable[[Path], Iterator[bytes]]:
    def noting(path: Path) -> Iterator[bytes]:
        read.append(path.name)
        return raw(path)

    return noting
