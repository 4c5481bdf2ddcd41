"""One tool's readings out of a recording are the same as those among all others, packed or not."""

import random
from datetime import UTC, datetime, timedelta

import pytest
from support.recorded_shop import MORNING, RecordedShop

from gatehand.journal.disk import Disk
from gatehand.journal.reader import EventReader
from gatehand.past.recordings import from_recording
from gatehand.past.stretches import stretches
from gatehand.recording.recording import Recording, recordings
from gatehand.recording.store import Store
from gatehand_rules.words import Measure


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> RecordedShop:
    shop = RecordedShop(tmp_path_factory.mktemp("streams")).begin()
    rng = random.Random(1)
    for _ in range(12):
        shop.cut(rng.choice(["band_saw", "router"]), rng.uniform(1, 30), then=rng.uniform(1, 300))
    shop.end()
    return shop


@pytest.mark.parametrize("packed", [False, True])
def test_readings_of_one_tool_are_those_of_the_whole(shop: RecordedShop, packed: bool) -> None:
    if packed:
        Store(shop.folder, 1 << 30, Disk()).pack_finished()
    listed = recordings(shop.folder)
    assert {path.path.suffix for path in listed} == {".rec" if packed else ".live"}
    for one in listed:
        recording = Recording(one.path)
        for tool in ("band_saw", "router"):
            whole = [
                (ms, ma)
                for stretch in stretches(recording)
                for ms, ma in zip(stretch.tracks[tool].ms, stretch.tracks[tool].ma, strict=True)
            ]
            assert len(whole) > 100
            times, values = recording.readings(tool)
            assert list(zip(times, values, strict=True)) == whole
        assert recording.readings("lathe") == ([], [])


def test_tune_reads_a_window_of_the_recording_by_wall_time(shop: RecordedShop) -> None:
    start = datetime.fromtimestamp(MORNING, UTC)
    since, until = start + timedelta(seconds=60), start + timedelta(seconds=120)
    found = from_recording(shop.folder, {"band_saw": Measure.AMPS}, since, until, lambda _count: None)
    (piece,) = found.pieces["band_saw"]
    assert piece.wall_ms is not None
    times = [ms + piece.wall_ms for ms in piece.track.ms]
    assert round(since.timestamp() * 1000) <= times[0] < times[-1] < round(until.timestamp() * 1000)
    assert len(times) >= 60
    assert found.troubles == []


def test_lines_passed_over_are_not_decoded_and_leave_their_time(shop: RecordedShop) -> None:
    reader = EventReader(shop.folder)
    everything = list(EventReader(shop.folder).lines())
    kept = list(reader.lines(without=(("event", "gate_open"), ("rule", "refresh"))))
    assert kept == [line for line in everything if line["event"] != "gate_open" and line.get("rule") != "refresh"]
    assert len(kept) < len(everything)
    last = [line for line in everything if line not in kept][-1]
    assert reader.passed_ts == last["ts"]
