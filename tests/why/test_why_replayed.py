"""Which lines a verdict needs: over several files, through edits, where a file is torn or missing, for any word."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.recording import recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.why.replayed import MOST_FILES, RecordedRun
from gatehand_rules import events as ev
from why.why_support import swap, why

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]

SAW = "band saw started: 6 A, at or above its start_amps of 2.5 A"


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file for each minute."""
    monkeypatch.setattr(recorder, "FILE_MS", 60_000)


def held_for(make: Make, minutes: float) -> RecordedShop:
    """A hold, a long time, and a cut."""
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(minutes * 60)
    shop.cut("band_saw", 20, amps=6, then=30)
    return shop


def causes(found: dict[str, Any]) -> list[str]:
    """What the lines say that the verdict needs; none of them was taken on trust."""
    assert found["not_proven"] is None
    return [one["text"] for one in found["causes"]]


@pytest.mark.usefixtures("short")
def test_a_cause_some_files_back_is_proven(make: Make, capsys: Out) -> None:
    shop = held_for(make, 5)
    found = why(shop, capsys, "band_saw")
    assert len(recordings(shop.folder)) > 5
    assert len(causes(found)) == 2
    assert causes(found)[1] == SAW


@pytest.mark.usefixtures("short")
@pytest.mark.parametrize(("minutes", "proven"), [(MOST_FILES - 2, 2), (MOST_FILES + 1, 1)])
def test_a_cause_too_many_files_back_is_told_and_not_shown(make: Make, capsys: Out, minutes: int, proven: int) -> None:
    found = why(held_for(make, minutes), capsys, "band_saw")
    assert len(causes(found)) == proven
    assert "on hold (filter change) since 08:00:31" in found["verdict"]


@pytest.mark.usefixtures("short")
@pytest.mark.parametrize("harm", ["gone", "torn", "spoilt"])
def test_what_lies_before_a_file_that_is_missing_or_torn_is_not_shown(make: Make, capsys: Out, harm: str) -> None:
    shop = held_for(make, 5)
    shop.recorder.flush()
    files = [one.path for one in recordings(shop.folder)]
    middle = files[3]
    if harm == "gone":
        middle.unlink()
    elif harm == "spoilt":
        middle.write_bytes(b"no recording")
    else:
        data = middle.read_bytes()
        middle.write_bytes(data[: len(data) * 3 // 4])
    found = why(shop, capsys, "band_saw")
    assert causes(found) == [SAW]


def test_an_edit_that_leaves_the_rules_state_as_it_is_hides_no_cause(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    swap(shop, SHOP.replace("run_on = 10", "run_on = 12"))
    shop.run(30)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert len(causes(why(shop, capsys, "band_saw"))) == 2


def run_of(shop: RecordedShop) -> RecordedRun:
    """The recorded run up to now."""
    shop.recorder.flush()
    now = round(shop.clocks.mono() * 1000)
    found = RecordedRun.of(shop.folder, shop.stamper.run, round(shop.clocks.wall() * 1000), now)
    assert found is not None
    return found


def said(shop: RecordedShop, kind: type[ev.Event]) -> list[tuple[int, ev.Event]]:
    """What was recorded of a kind."""
    return [
        one for listed in recordings(shop.folder) for one in Recording(listed.path).events() if isinstance(one[1], kind)
    ]


def test_a_word_said_again_and_again_is_left_out_to_its_end_and_no_further(make: Make) -> None:
    shop = make()
    for active in ("1", "1", "1", "0", "1"):
        shop.say("shop/estop", active)
        shop.run(5)
    run = run_of(shop)
    first = next(one for one in said(shop, ev.StopReport) if one[1] == ev.StopReport("emergency", active=True))
    events = [(ms - first[0], str(one.event)) for ms, one in run.found_without([first]) if one.event.startswith("stop")]
    assert [one for one in events if one[0] >= 0] == [(20_000, "stop_active")]


def test_of_a_press_only_that_one_is_left_out(make: Make) -> None:
    shop = make()
    for _ in range(2):
        shop.say("shop/gate/bench/button", "1")
        shop.run(5)
    run = run_of(shop)
    first, second = said(shop, ev.ButtonPressed)
    without = [str(one.event) for ms, one in run.found_without([first]) if ms >= first[0] and one.rule == "button"]
    assert without == ["hand_started"]
    without = [str(one.event) for ms, one in run.found_without([second]) if ms >= first[0] and one.rule == "button"]
    assert without == ["hand_started"]
    assert not any(one.rule == "button" for _, one in run.found_without([first, second]))


def test_readings_are_left_out_while_they_are_on_the_same_side(make: Make) -> None:
    shop = make()
    shop.cut("band_saw", 10, amps=6, then=20)
    shop.cut("band_saw", 10, amps=6, then=20)
    run = run_of(shop)
    begun = [one for one in run.found() if one[1].event == "tool_started"]
    first = next(one for one in said(shop, ev.Reading) if one[0] == begun[0][0] and one[1].tool == "band_saw")  # type: ignore[union-attr]
    assert [ms for ms, one in run.found_without([first]) if one.event == "tool_started"] == [begun[1][0]]


def test_a_motor_and_a_switch_are_left_out_by_what_they_show(make: Make) -> None:
    text = SHOP.replace("bin_full =", 'current = { topic = "shop/fan/amps" }\nbin_full =')
    shop = make(text)
    shop.cut("band_saw", 20, amps=6, then=30)
    run = run_of(shop)
    on = next(ms for ms, one in run.found() if one.event == "collector_on")
    motor = next(one for one in said(shop, ev.CollectorReading) if one[0] > on and one[1].value >= 2)  # type: ignore[union-attr]
    assert any(one.event == "collector_running" and ms > on for ms, one in run.found_without([motor]))
    switch = next(one for one in said(shop, ev.CollectorReport) if one[0] > on)
    both = run.found_without([motor, switch])
    assert not any(one.event == "collector_running" and ms > on for ms, one in both)


def test_the_moment_of_another_run_or_none_is_not_recorded(make: Make, tmp_path: Path) -> None:
    shop = make()
    shop.recorder.flush()
    now, wall = round(shop.clocks.mono() * 1000), round(shop.clocks.wall() * 1000)
    assert RecordedRun.of(shop.folder, "another", wall, now) is None
    assert RecordedRun.of(tmp_path / "nowhere", shop.stamper.run, wall, now) is None
    begun = recordings(shop.folder)[0]
    assert RecordedRun.of(shop.folder, shop.stamper.run, begun.wall_ms - 1, now) is None
    first = Recording(begun.path).header.mono_ms
    assert RecordedRun.of(shop.folder, shop.stamper.run, wall, first - 1) is None
    found = RecordedRun.of(shop.folder, shop.stamper.run, wall, first)
    assert found is not None
    assert found.until_ms == first
