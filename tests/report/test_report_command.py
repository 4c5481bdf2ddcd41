"""`gatehand report` and `gatehand done` on the command line."""

import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from report_support import CONFIG, NOON, Log

from gatehand.cli import main
from gatehand.report.upkeep_due import FILE, done_at


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def busy() -> Log:
    """Five hours of the collector on two days, and some trouble."""
    log = Log().begin()
    for _ in range(3):
        log.cut(3000, run_on=600).pass_time(1800)
    log.say("start_missed", tool="band_saw", collector="main", rule="below_start_threshold", peak=2.1, lasted=20.0)
    log.say("start_refused", tool="band_saw", collector="main", rule="bin_full", amps=4.0)
    log.say("alarm_raised", tool="band_saw", rule="bin_full", alarm="tool.band_saw.not_fresh")
    log.say("reading_rejected", tool="band_saw", rule="bad_value", why="not a number", shown="abc")
    log.say("stop_active", rule="stop_contact", stop="emergency")
    log.pass_time(86_400 - 20_000)
    for _ in range(2):
        log.cut(3000, run_on=600).pass_time(1800)
    return log.say("daemon_stopped", why="asked to")


def test_the_text_has_hours_starts_reasons_and_upkeep(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--config", str(busy().write(tmp_path))]) == 0
    said = capsys.readouterr().out
    assert "work on 2 days" in said
    assert re.search(r"band_saw +5 +4\.17 +50 min +1 +1", said)
    assert re.search(r"main +5 +5\.00 +1\.0 +1, 03-05 12:00", said)
    assert "1 x band_saw: stayed below its start threshold" in said
    assert "1 x band_saw: the bin was full (refused)" in said
    assert "alarms          1  (tool.band_saw.not_fresh)" in said
    assert "filter               at least 5.0 of 4 h since the log begins: due; then 'gatehand done filter'" in said


@pytest.mark.parametrize(("seconds", "rate"), [(30, "-"), (3540, "-"), (3600, "1\\.0")])
def test_starts_an_hour_are_not_told_before_an_hour_of_running(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: float, rate: str
) -> None:
    assert main(["report", "--config", str(Log().begin().cut(seconds, run_on=0).write(tmp_path))]) == 0
    assert re.search(rf"main +1 +\d\.\d\d +{rate} +1, 03-05 12:00", capsys.readouterr().out)


def test_a_daemon_that_started_anew_is_reported_also_where_every_line_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = Log().begin().cut(60).begin().cut(30).write(tmp_path)
    assert main(["report", "--config", str(config)]) == 0
    assert "daemon started  2" in capsys.readouterr().out


def test_text_fits_eighty_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--config", str(busy().write(tmp_path))]) == 0
    long = [line for line in capsys.readouterr().out.splitlines() if len(line) > 84]
    assert [line for line in long if "upkeep" not in line and "gatehand done" not in line] == []


def test_json_gives_the_same_facts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--json", "--config", str(busy().write(tmp_path))]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["tools"][0] | {"energy": None} == {
        "tool": "band_saw",
        "cuts": 5,
        "hours": 4.1667,
        "longest_s": 3000.0,
        "missed": 1,
        "refused": 1,
        "energy": None,
    }
    assert found["collectors"][0]["worst_hour"] == {"starts": 1, "from": "2026-03-05T12:00:00.000Z"}
    assert found["not_started"][0]["rule"] in {"below_start_threshold", "bin_full"}
    assert found["upkeep"][0]["stands"] == "due"
    assert found["stops"] == {"emergency": 1}


def test_a_window_counts_only_what_lies_in_it_and_upkeep_all_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = str(busy().write(tmp_path))
    assert main(["report", "--json", "--config", config, "--from", "2026-03-06"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["tools"][0]["cuts"] == 2
    assert found["upkeep"][0]["hours"] == 5.0


def test_done_starts_the_hours_anew(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(busy().write(tmp_path))
    assert main(["done", "filter", "--config", config, "--at", "2026-03-06T00:00:00Z"]) == 0
    assert "filter: done 2026-03-06 00:00; due again after 4 h of main" in capsys.readouterr().out
    assert main(["report", "--json", "--config", config]) == 0
    (upkeep,) = json.loads(capsys.readouterr().out)["upkeep"]
    assert upkeep["hours"] == 2.0
    assert upkeep["stands"] == "well"
    assert not upkeep["at_least"]


def test_done_in_the_middle_of_a_run_counts_the_rest_of_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log().begin().cut(7200, run_on=0)
    config = str(log.write(tmp_path))
    half = datetime.fromtimestamp(NOON + 3600, UTC).isoformat()
    assert main(["done", "filter", "--config", config, "--at", half]) == 0
    capsys.readouterr()
    assert main(["report", "--json", "--config", config]) == 0
    assert json.loads(capsys.readouterr().out)["upkeep"][0]["hours"] == 1.0


def test_done_before_the_log_begins_says_at_least(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(busy().write(tmp_path))
    assert main(["done", "filter", "--config", config, "--at", "2026-01-01"]) == 0
    capsys.readouterr()
    assert main(["report", "--config", config]) == 0
    assert "at least 5.0 of 4 h since 2026-01-01" in capsys.readouterr().out


def test_a_torn_line_of_upkeep_costs_itself(tmp_path: Path) -> None:
    config = busy().write(tmp_path)
    (tmp_path / "log" / FILE).write_text('{"ts":"2026-03-0', "utf-8")
    assert main(["done", "filter", "--config", str(config), "--at", "2026-03-06T00:00:00Z"]) == 0
    assert list(done_at(tmp_path / "log")) == ["filter"]


def test_upkeep_that_is_not_there_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["done", "filer", "--config", str(busy().write(tmp_path))]) == 2
    assert "there is no upkeep 'filer'; did you mean filter?" in capsys.readouterr().err


def test_a_log_without_events_exits_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(CONFIG, "utf-8")
    assert main(["report", "--config", str(config)]) == 1
    assert "no events in that time" in capsys.readouterr().err


class _Page(HTMLParser):
    """Notes what a page would fetch, and which tags are open."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.open: list[str] = []
        self.svgs = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [value or "" for key, value in attrs if key in {"src", "href"}]
        self.svgs += tag == "svg"
        if tag not in {"meta", "line", "rect", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in {"meta", "line", "rect", "br"}:
            assert self.open.pop() == tag


def test_the_page_is_whole_fetches_nothing_and_fits_a_phone(tmp_path: Path) -> None:
    config = str(busy().write(tmp_path))
    page = tmp_path / "report.html"
    assert main(["report", "--config", config, "--html", str(page)]) == 0
    text = page.read_text("utf-8")
    parsed = _Page()
    parsed.feed(text)
    assert parsed.open == []
    assert parsed.fetched == []
    assert "url(" not in text
    assert "@import" not in text
    assert "width=device-width" in text
    assert parsed.svgs >= 4
    assert "gatehand done filter" in text


def test_the_page_escapes_what_the_log_says(tmp_path: Path) -> None:
    log = busy()
    log.say("alarm_raised", rule="bin_full", alarm="<script>alert(1)</script>")
    page = tmp_path / "report.html"
    assert main(["report", "--config", str(log.write(tmp_path)), "--html", str(page)]) == 0
    assert "<script" not in page.read_text("utf-8")


def test_a_torn_last_line_is_skipped_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = busy().write(tmp_path)
    with (tmp_path / "log" / "events-2026-03-06.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"ts":"2026-03-06T2')
    assert main(["report", "--config", str(config)]) == 0
    assert "skipped" in capsys.readouterr().err
