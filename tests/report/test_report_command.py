"""`gatehand report` and `gatehand done` on the command line."""

import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

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
    assert re.search(r"band_saw +5 +4\.17 h +50 min +1 +1\n", said)
    assert re.search(r"main +5 +5 h +1\.0 +1, 03-05 12:00\n", said)
    assert "1 x band_saw: stayed below its start threshold" in said
    assert "1 x band_saw: the bin was full (refused)" in said
    assert "alarms          1  (tool.band_saw.not_fresh)" in said
    assert said.endswith(
        "upkeep\n"
        "  filter               at least 5.0 of 4 h since the log began: due; then\n"
        "    'gatehand done filter'\n"
    )


@pytest.mark.parametrize(
    ("seconds", "rate", "time"), [(30, "-", "30 s"), (3540, "-", "59 min"), (3600, "1\\.0", "60 min")]
)
def test_starts_an_hour_are_not_told_before_an_hour_of_running(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: float, rate: str, time: str
) -> None:
    assert main(["report", "--config", str(Log().begin().cut(seconds, run_on=0).write(tmp_path))]) == 0
    assert re.search(rf"main +1 +{time} +{rate} +1, 03-05 12:00\n", capsys.readouterr().out)


def test_a_daemon_that_started_anew_is_reported_also_where_every_line_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = Log().begin().cut(60).begin().cut(30).write(tmp_path)
    assert main(["report", "--config", str(config)]) == 0
    assert "daemon started  2" in capsys.readouterr().out


def test_a_longest_cut_that_was_not_seen_whole_is_told_as_at_least(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = Log().begin().say("start_refused", tool="band_saw", collector="main", rule="first_seen_drawing", amps=4.1)
    log.say("collector_adopted", collector="main", rule="adoption").pass_time(65)
    log.say("tool_stopped", tool="band_saw", collector="main", rule="stop_threshold", amps=0.1, ran_for=65.0)
    config = log.cut(30).write(tmp_path)
    page = tmp_path / "page.html"
    assert main(["report", "--config", str(config), "--html", str(page)]) == 0
    assert main(["report", "--config", str(config)]) == 0
    told = capsys.readouterr().out
    row = r"^band_saw +2 +1.58 min +65 s +0 +1\nGatehand did not see all of the longest cut of"
    assert re.search(row, told, re.MULTILINE)
    assert "all of the longest cut of band saw: it lasted at least that." in page.read_text("utf-8")


def test_text_fits_eighty_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = busy()
    for number in range(12):
        log.say("alarm_raised", rule="bin_full", alarm=f"gate.one_of_{number}_with_a_long_name.fault")
        log.say("gate_commanded", gate=f"one_of_{number}_with_a_long_name", rule="demand", to="open")
    assert main(["report", "--config", str(log.write(tmp_path))]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert "alarms          13  (tool.band_saw.not_fresh 1, ...)" in lines


def test_json_gives_the_same_facts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--json", "--config", str(busy().write(tmp_path))]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["tools"][0] | {"energy": None} == {
        "tool": "band_saw",
        "cuts": 5,
        "hours": 4.1667,
        "longest_s": 3000.0,
        "longest_at_least": False,
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


# --- the time that is reported of, and what of it nobody wrote


def told(config: Path, capsys: pytest.CaptureFixture[str], *more: str) -> list[str]:
    capsys.readouterr()
    assert main(["report", "--config", str(config), *more]) == 0
    return capsys.readouterr().out.splitlines()


def facts(config: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
    found = json.loads("\n".join(told(config, capsys, "--json", *more)))
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(
    ("seconds", "says"),
    [(0, "0 s"), (8, "8 s"), (90, "1.5 min"), (1_234, "20.6 min"), (5_400, "1.5 h"), (4_000_000, "1,111 h")],
)
def test_a_time_is_told_in_the_unit_that_fits_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: float, says: str
) -> None:
    config = Log().begin().cut(seconds, run_on=0).write(tmp_path)
    lines = told(config, capsys)
    assert re.match(rf"band_saw +1 +{says} +{says} +0 +0$", lines[3])
    assert re.match(rf"main +1 +{says} +[\d.-]+ +1, 03-05 12:00$", lines[6])
    page = tmp_path / "report.html"
    told(config, capsys, "--html", str(page))
    drawn = page.read_text("utf-8")
    assert f"<b>{says}</b>collector on</div>" in drawn
    assert f"{says} in 1 cut</text>" in drawn
    assert f"<td>{says}</td>" in drawn
    assert facts(config, capsys)["tools"][0]["hours"] == round(seconds / 3600, 4)


def test_a_day_of_minutes_is_drawn_in_minutes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "report.html"
    told(Log().begin().cut(120, run_on=0).write(tmp_path), capsys, "--html", str(page))
    drawn = page.read_text("utf-8")
    assert "<h2>Collector, minutes a day</h2>" in drawn
    assert "5 Mar: 2 minutes a day" in drawn
    told(Log().begin().cut(7200, run_on=0).write(tmp_path), capsys, "--html", str(page))
    assert "<h2>Collector, hours a day</h2>" in page.read_text("utf-8")


def test_the_night_in_which_the_daemon_did_not_run_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log().begin().cut(600).say("daemon_stopped", why="asked to")
    log.pass_time(12 * 3600).begin().cut(600).say("daemon_stopped", why="asked to")
    config = log.write(tmp_path)
    lines = told(config, capsys)
    assert lines[1:3] == [
        "Not recorded: 12 h, in which Gatehand did not run (once, 2026-03-05 12:10 to",
        "2026-03-06 00:10); nothing of it is counted.",
    ]
    assert facts(config, capsys)["not_recorded"] == [
        {"from": "2026-03-05T12:10:10.000Z", "to": "2026-03-06T00:10:10.000Z", "at_most": False}
    ]
    page = tmp_path / "report.html"
    told(config, capsys, "--html", str(page))
    assert '<p class="faint">Not recorded: 12 h, in which Gatehand did not run (once, ' in page.read_text("utf-8")


def test_a_daemon_that_died_may_have_run_on_so_the_time_is_told_as_the_most(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = Log().begin().cut(600).pass_time(3600).begin().cut(600).pass_time(7200).begin().cut(60)
    assert told(log.write(tmp_path), capsys)[1:3] == [
        "Not recorded: at most 3 h, in which Gatehand did not run (2 times, the longest",
        "2026-03-05 13:20 to 2026-03-05 15:20); nothing of it is counted.",
    ]


@pytest.mark.parametrize(("pause", "told_of"), [(59, 0), (60, 1)])
def test_a_restart_is_no_time_that_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], pause: float, told_of: int
) -> None:
    log = Log().begin().cut(600).say("daemon_stopped", why="asked to").pass_time(pause).begin().cut(600)
    lines = told(log.write(tmp_path), capsys)
    assert len([line for line in lines if line.startswith("Not recorded: ")]) == told_of


@pytest.mark.parametrize(
    ("since", "until", "missing"),
    [
        ("2026-03-05T10:00Z", None, [("10:00", "12:00", False), ("14:00", "15:00", False)]),  # it begins at noon
        ("2026-03-05T12:30Z", None, [("14:00", "15:00", False)]),  # amid the first run
        ("2026-03-05T14:30Z", None, [("14:30", "15:00", False)]),  # after its end
        ("2026-03-05T16:30Z", None, []),
        (None, "2026-03-05T13:00Z", []),
        (None, "2026-03-05T14:30Z", [("14:00", "14:30", False)]),
        (None, "2026-03-05T16:00Z", [("14:00", "15:00", False)]),
        (None, "2026-03-05T17:30Z", [("14:00", "15:00", False)]),  # it died: at most from 17:00 on
        ("2026-03-05T15:10Z", "2026-03-05T18:00Z", [("17:00", "18:00", True)]),
    ],
)
def test_the_edges_of_the_time_asked_for_are_told_too(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    since: str | None,
    until: str | None,
    missing: list[tuple[str, str, bool]],
) -> None:
    """Runs from noon to two and, killed, from three to five; the next one begins at eight."""
    log = Log().begin().pass_time(3000).cut(60, run_on=0).pass_time(4140).say("daemon_stopped", why="asked to")
    log.pass_time(3600).begin().pass_time(6000).cut(60, run_on=0).pass_time(1140).say("gate_between", gate="band_saw")
    log.pass_time(10_800).begin()
    span = [*(["--from", since] if since else []), *(["--to", until] if until else [])]
    found = facts(log.write(tmp_path), capsys, *span)["not_recorded"]
    if until is None:
        found = [one for one in found if one["from"] < "2026-03-05T17"]
    if until == "2026-03-05T17:30Z":
        assert found.pop() == {"from": "2026-03-05T17:00:00.000Z", "to": "2026-03-05T17:30:00.000Z", "at_most": True}
    assert [(one["from"][11:16], one["to"][11:16], one["at_most"]) for one in found] == missing


def test_the_header_names_the_time_that_was_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = told(busy().write(tmp_path), capsys, "--from", "2026-03-05T00:00Z", "--to", "2026-03-06T00:00Z")
    assert lines[0] == "2026-03-05 00:00 to 2026-03-06 00:00, work on 1 day"
    assert lines[1] == "Not recorded: 12 h, in which Gatehand did not run (once, 2026-03-05 00:00 to"


def test_a_time_without_events_says_what_the_log_has(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(busy().write(tmp_path))
    assert main(["report", "--config", config, "--from", "2026-03-08"]) == 1
    assert capsys.readouterr().err == (
        f"{tmp_path / 'log'}: no events in that time; the log has 2026-03-05 12:00 to 2026-03-06 13:56\n"
    )


def test_a_clock_that_was_set_amid_a_run_moves_what_that_run_had_seen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A board without a clock starts in 1970; once it knows the time, so does the report."""
    log = Log()
    log.wall = 1000.0
    log.begin().cut(60).pass_time(30)
    log.wall = NOON + 100
    log.say("clock_stepped", by_seconds=NOON - 1000.0).cut(60)
    config = log.write(tmp_path)
    lines = told(config, capsys)
    assert lines[0] == "2026-03-05 12:00 to 2026-03-05 12:02, work on 1 day"
    assert lines[1] == ""
    found = facts(config, capsys)
    assert found["hours_by_day"] == {"2026-03-05": {"main": pytest.approx(140 / 3600)}}
    assert found["collectors"][0]["worst_hour"] == {"starts": 2, "from": "2026-03-05T12:00:00.000Z"}


def test_a_tool_that_the_config_does_not_know_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log().begin()
    for old in ("lathe", "bandsaw"):
        log.say("tool_started", tool=old, collector="main", rule="start_threshold").pass_time(120)
        log.say("tool_stopped", tool=old, collector="main", rule="stop_threshold")
    config = log.cut(60).write(tmp_path)
    lines = told(config, capsys)
    assert lines[1:3] == [
        "bandsaw and lathe are not in the config (removed or renamed): their hours are",
        "counted, their energy is not.",
    ]
    assert [line.split()[0] for line in lines if re.match(r"(band_saw|bandsaw|lathe) +1 ", line)] == [
        "band_saw",
        "bandsaw",
        "lathe",
    ]
    assert facts(config, capsys)["not_in_config"] == ["bandsaw", "lathe"]


def test_two_collectors_have_a_line_each_and_a_sum_that_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = Log().begin()
    log.say("collector_on", collector="sander", rule="demand").cut(5400, run_on=0)
    config = log.say("collector_off", collector="sander", rule="no_demand").write(tmp_path)
    lines = told(config, capsys)
    assert [line.split()[:4] for line in lines[6:8]] == [["main", "1", "1.5", "h"], ["sander", "1", "1.5", "h"]]
    page = tmp_path / "report.html"
    told(config, capsys, "--html", str(page))
    drawn = page.read_text("utf-8")
    assert "<b>3 h</b>2 collectors on, together</div>" in drawn
    assert "<h2>Collectors together, hours a day</h2>" in drawn


@pytest.mark.parametrize("count", [0, 1, 2])
def test_plurals_are_right(tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int) -> None:
    log = Log().begin()
    for _ in range(count):
        log.cut(60)
        log.say("alarm_raised", rule="bin_full", alarm="collector.main.bin")
        log.say("gate_fault", gate="band_saw", rule="travel").say("stop_active", stop="emergency")
        log.say("bin_full", collector="main").say("reading_rejected", tool="band_saw").say("broker_lost")
        log.say("command_vetoed", rule="min_open").say("log_gap", lost=3).say("clock_stepped", by_seconds=0.0)
    page = tmp_path / "report.html"
    told(log.write(tmp_path), capsys, "--html", str(page))
    drawn = page.read_text("utf-8")
    one = {"gate fault": 1, "alarm": 1, "press of a stop contact": 1, "time the bin was full": 1, "message rejected": 1}
    one |= {"time the broker was lost": 1, "command held back": 1, "gap in the log": 1, "step of the clock": 1}
    many = ["gate faults", "alarms", "presses of stop contacts", "times the bin was full", "messages rejected"]
    many += ["times the broker was lost", "commands held back", "gaps in the log", "steps of the clock"]
    for single, several in zip(one, many, strict=True):
        wanted = {0: "", 1: f"<li>1 {single}", 2: f"<li>2 {several}"}[count]
        assert wanted in drawn, (single, several)
        assert count or f" {single}" not in drawn, single
    assert f"<li>{count} gate movement{'' if count == 1 else 's'}" in drawn
    assert f"</b>cut{'' if count == 1 else 's'}</div>" in drawn
    assert f"</b>collector start{'' if count == 1 else 's'}</div>" in drawn
    assert "<li>1 start of the daemon</li>" in drawn


@pytest.mark.parametrize(
    ("letters", "names"), [(16, "{0} 2, {1} 1, {2} 1"), (17, "{0} 2, {1} 1, ..."), (80, "{0} 2, ...")]
)
def test_as_many_names_are_told_as_a_line_has_room_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], letters: int, names: str
) -> None:
    """Of 79 columns 17 are taken by the count, 4 by brackets, 10 by what stands between three names."""
    log = Log().begin()
    alarms = [f"{letter * (letters if letters < 80 else 40)}" for letter in "abc"]
    for alarm in (alarms[0], *alarms):
        log.say("alarm_raised", alarm=alarm)
    lines = told(log.write(tmp_path), capsys)
    assert f"alarms          4  ({names.format(*alarms)})" in lines
    assert max(map(len, lines)) <= 79


@pytest.mark.parametrize(("count", "says"), [(0, ""), (1, "1 gap"), (2, "2 gaps")])
def test_a_log_with_gaps_says_so_at_its_head(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int, says: str
) -> None:
    log = Log().begin()
    for _ in range(count):
        log.say("log_gap", lost=7)
    lines = told(log.cut(60).write(tmp_path), capsys)
    head = f"The log has {says}: lines are lost, and what they said is not counted."
    assert lines[1] == (head if count else "")
