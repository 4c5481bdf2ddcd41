"""Filter upkeep by the suction that has fallen since a baseline, in the stead of hours."""

import json
from pathlib import Path

import pytest
from report_support import Log

from gatehand.cli import main

TAKEN = {"gates": "band_saw", "pascals": 2000.0, "suction": "2,000 Pa"}
AT = "2026-03-01T09:00:00.000Z"


def measured(log: Log, pascals: float, falls: float | None = 0.14, **facts: object) -> Log:
    """A cut, and what the suction was in it."""
    log.cut(3600)
    known = {} if falls is None else {"dirty_falls": falls}
    line = {"gates": "band_saw", "pascals": pascals, "baseline": 2000.0, "baseline_at": AT, **known, **facts}
    return log.say("suction_measured", collector="main", suction=f"{pascals:,.0f} Pa", **line)


def upkeep(log: Log, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, dict[str, object]]:
    """As text, in one line, and as JSON."""
    config = str(log.write(folder))
    assert main(["--config", config, "report"]) == 0
    shown = " ".join(capsys.readouterr().out.partition("upkeep\n")[2].split())
    assert main(["--config", config, "report", "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["upkeep"]
    return shown, found


def test_a_filter_is_told_by_its_suction_and_says_what_the_limit_rests_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown, found = upkeep(measured(Log().begin(), 1820), tmp_path, capsys)
    assert shown == (
        "filter suction with band saw open has fallen 9 % since the baseline of 2026-03-01 (clean the filter at 14 %: "
        "the dirty filter of the config)"
    )
    assert found["stands"] == "well"
    assert found["suction"] == {
        "gates": "band_saw", "fallen": 0.09, "limit": 0.14, "by_ducts": True, "baseline_at": AT
    }  # fmt: skip


def test_without_ducts_the_limit_is_common_practice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown, found = upkeep(measured(Log().begin(), 1820, None), tmp_path, capsys)
    assert "clean the filter at 30 %: common practice, no published source" in shown
    assert found["stands"] == "well"


@pytest.mark.parametrize(("pascals", "stands"), [(1760, "well"), (1745, "soon"), (1715, "due"), (2100, "well")])
def test_it_is_due_when_the_suction_has_fallen_so_far(
    pascals: float, stands: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown, found = upkeep(measured(Log().begin(), pascals), tmp_path, capsys)
    assert found["stands"] == stands
    assert ("gatehand done filter" in shown) == (stands == "due")
    assert ("has not fallen" in shown) == (pascals > 2000)


def test_what_was_measured_last_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = measured(measured(Log().begin(), 1500), 1980)
    assert "has fallen 1 %" in upkeep(log, tmp_path, capsys)[0]


@pytest.mark.parametrize("pascals", [0, 9, 2300])
def test_what_no_filter_does_tells_nothing_of_it(
    pascals: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "of 4 h since the log began" in upkeep(measured(Log().begin(), pascals), tmp_path, capsys)[0]
    log = measured(measured(Log().begin(), 1900), pascals)
    assert "has fallen 5 %" in upkeep(log, tmp_path, capsys)[0]


def test_hours_count_where_no_baseline_does(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = measured(Log().begin(), 1500, baseline=None)
    assert "of 4 h since the log began" in upkeep(log, tmp_path, capsys)[0]
    log.say("suction_baseline_taken", collector="main", **TAKEN)
    assert "of 4 h" in upkeep(log, tmp_path, capsys)[0]
    measured(log, 1900)
    assert "has fallen 5 %" in upkeep(log, tmp_path, capsys)[0]
    log.say("suction_baselines_void", collector="main", baselines=1)
    assert "of 4 h" in upkeep(log, tmp_path, capsys)[0]


def test_what_was_measured_before_the_filter_was_cleaned_counts_no_more(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = measured(Log().begin(), 1500)
    config = str(log.write(tmp_path))
    assert main(["--config", config, "done", "filter"]) == 0
    capsys.readouterr()
    shown, found = upkeep(log, tmp_path, capsys)
    assert found["suction"] is None
    assert "0 of 4 h" in shown


def test_the_page_has_it_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(measured(Log().begin(), 1500).write(tmp_path))
    page = tmp_path / "report.html"
    assert main(["--config", config, "report", "--html", str(page)]) == 0
    capsys.readouterr()
    assert "has fallen 25 % since the baseline of 2026-03-01" in page.read_text()
