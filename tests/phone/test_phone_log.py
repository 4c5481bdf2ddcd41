"""What the page asks of the event log: a day as bars, why, upkeep and the report; and within which bounds."""

import asyncio
import io
import json
import os
import resource
import sys
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.recorded_shop import MORNING, SHOP, RecordedShop

from gatehand.commands import readable
from gatehand.config import load
from gatehand.phone import log_child, log_questions
from gatehand.phone.connections import MOST
from gatehand.phone.log_questions import Answer, LogQuestions
from gatehand.phone.settings import Settings
from gatehand.times import local, stamp

CENTRAL_EUROPE = "CET-1CEST,M3.5.0,M10.5.0/3"
"""As POSIX writes a zone (IEEE 1003.1, section 8.3): needs no table of zones."""


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A zone with summer time: it begins on 2026-03-29, and ends on 2026-10-25."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", CENTRAL_EUROPE)
        time.tzset()
        yield
    time.tzset()


class Written:
    """A log by hand; times are local, `14:32` of the day that it begins with."""

    def __init__(self, folder: Path, day: str) -> None:
        self.folder = folder
        (folder / "log").mkdir()
        self.config = folder / "config.toml"
        self.config.write_text(SHOP + "\n[upkeep.filter]\nevery_hours = 1\n")
        self._day = day
        self._run = 1
        self._lines: list[dict[str, Any]] = []

    def say(self, clock: str, event: str, **facts: Any) -> "Written":  # noqa: ANN401
        moment = datetime.fromisoformat(f"{self._day}T{clock}").astimezone()
        if event == "daemon_started" and self._lines:
            self._run += 1
        wall = moment.timestamp()
        head = {"ts": stamp(wall), "mono": wall - 1_700_000_000, "run": f"run{self._run}", "seq": len(self._lines) + 1}
        self._lines.append({**head, "synced": True, "event": event, **facts})
        return self

    def cut(self, since: str, to: str | None, tool: str = "band_saw") -> "Written":
        self.say(since, "tool_started", tool=tool, collector="main", rule="start_threshold", amps=5.0)
        self.say(since, "collector_on", collector="main", rule="demand", starts_this_hour=1)
        if to is not None:
            self.say(to, "tool_stopped", tool=tool, collector="main", rule="stop_threshold", amps=0.1)
            self.say(to, "collector_off", collector="main", rule="no_demand", coast_down=6.0)
        return self

    def day(self, day: str | None = None) -> dict[str, Any]:
        by_file: dict[str, list[str]] = {}
        for line in self._lines:
            by_file.setdefault(str(line["ts"])[:10], []).append(json.dumps(line) + "\n")
        for name, lines in by_file.items():
            (self.folder / "log" / f"events-{name}.jsonl").write_text("".join(lines))
        found: dict[str, Any] = json.loads(log_child.day(load(self.config, files=False), [day or self._day]))
        return found


def row(found: dict[str, Any], name: str, kind: str = "tools") -> dict[str, Any]:
    (one,) = [one for one in found[kind] if one["name"] == name]
    return one  # type: ignore[no-any-return]


def clocks(found: dict[str, Any], name: str, kind: str = "tools") -> list[tuple[str, str]]:
    return [
        (f"{local(round(since * 1000)):%H:%M}", f"{local(round(to * 1000)):%H:%M}")
        for since, to in row(found, name, kind)["spans"]
    ]


# A day


def test_a_day_has_a_bar_for_each_cut_and_each_run_of_the_fan_and_a_sentence(tmp_path: Path) -> None:
    log = Written(tmp_path, "2026-03-05").say("08:00", "daemon_started", version="0")
    log.cut("09:00", "09:20").cut("10:00", "10:10")
    log.say("11:00", "start_missed", tool="router", rule="below_start_threshold", lasted=4.0, peak=1.5)
    log.say("18:00", "daemon_stopped", why="asked to")
    found = log.day()
    assert found["ok"] is True
    assert found["date"] == "2026-03-05"
    assert found["end"] - found["begin"] == 24 * 3600
    assert clocks(found, "band_saw") == [("09:00", "09:20"), ("10:00", "10:10")]
    assert clocks(found, "main", "collectors") == [("09:00", "09:20"), ("10:00", "10:10")]
    assert row(found, "band_saw")["cuts"] == 2
    assert row(found, "band_saw")["text"] == "2 cuts, 30 min"
    assert row(found, "band_saw")["title"] == "band saw"
    assert row(found, "main", "collectors")["starts"] == 2
    assert row(found, "router") == {"name": "router", "title": "router", "spans": [], "cuts": 0, "text": "not used"}
    (missed,) = found["missed"]
    assert f"{local(round(missed['at'] * 1000)):%H:%M}" == "11:00"
    assert "router" in missed["text"]
    assert found["text"] == (
        "2 cuts on band saw; the collector started twice and ran for 30 min; 1 start did not happen."
    )


def test_a_day_on_which_nothing_ran_says_so(tmp_path: Path) -> None:
    found = Written(tmp_path, "2026-03-05").say("08:00", "daemon_started", version="0").day("2026-03-04")
    assert found["text"] == "Nothing ran."
    assert [one["name"] for one in found["tools"]] == ["band_saw", "router"]


def test_a_run_that_goes_on_counts_to_where_the_log_ends(tmp_path: Path) -> None:
    log = Written(tmp_path, "2026-03-05").say("08:00", "daemon_started", version="0").cut("09:00", None)
    log.say("09:12", "collector_on", collector="main", rule="refresh", starts_this_hour=1)
    found = log.day()
    assert clocks(found, "band_saw") == [("09:00", "09:12")]
    assert row(found, "main", "collectors")["starts"] == 1


def test_a_run_over_midnight_is_on_both_days_and_began_once(tmp_path: Path) -> None:
    log = Written(tmp_path, "2026-03-05").say("08:00", "daemon_started", version="0").cut("23:30", None)
    log._day = "2026-03-06"  # noqa: SLF001 - its own
    log.say("00:30", "tool_stopped", tool="band_saw", collector="main", rule="stop_threshold", amps=0.1)
    log.say("00:31", "collector_off", collector="main", rule="no_demand", coast_down=6.0)
    first, second = log.day("2026-03-05"), log.day("2026-03-06")
    assert row(first, "band_saw")["spans"][0][1] == first["end"]
    assert row(second, "band_saw")["spans"][0][0] == second["begin"]
    assert clocks(second, "band_saw") == [("00:00", "00:30")]
    assert [row(one, "band_saw")["cuts"] for one in (first, second)] == [1, 0]
    assert [row(one, "main", "collectors")["starts"] for one in (first, second)] == [1, 0]


def test_a_cut_that_goes_on_over_a_restart_is_one_and_what_was_not_recorded_is_said(tmp_path: Path) -> None:
    log = Written(tmp_path, "2026-03-05").say("08:00", "daemon_started", version="0").cut("09:00", None)
    log.say("09:10", "daemon_stopped", why="asked to").say("09:10:05", "daemon_started", version="0")
    log.say("09:10:06", "start_refused", tool="band_saw", collector="main", rule="first_seen_drawing", amps=5.0)
    log.say("09:20", "tool_stopped", tool="band_saw", collector="main", rule="stop_threshold", amps=0.1, was="running")
    log.say("09:30", "daemon_stopped", why="asked to").say("11:00", "daemon_started", version="0")
    log.cut("11:10", "11:20").say("11:30", "daemon_stopped", why="asked to")
    found = log.day()
    assert clocks(found, "band_saw") == [("09:00", "09:10"), ("09:10", "09:20"), ("11:10", "11:20")]
    assert row(found, "band_saw")["cuts"] == 2
    assert "Gatehand was not running from 09:30 to 11:00" in found["text"]
    assert "1 start did not happen" in found["text"]


@pytest.mark.usefixtures("zone")
@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-24", 24)])
def test_a_day_on_which_summer_time_begins_or_ends_has_its_own_length(tmp_path: Path, day: str, hours: int) -> None:
    log = Written(tmp_path, day).say("00:10", "daemon_started", version="0").cut("23:00", "23:30")
    found = log.day()
    assert found["end"] - found["begin"] == hours * 3600
    assert row(found, "band_saw")["spans"] == [[found["end"] - 3600, found["end"] - 1800]]
    # A clock is told by them: 23:00 was an hour before the day's end, however long the day was.
    ahead = next(offset for since, offset in reversed(found["offsets"]) if since <= found["end"] - 3600)
    assert (found["end"] - 3600 + ahead) % 86_400 == 23 * 3600
    changes = [[since - found["begin"], offset] for since, offset in found["offsets"]]
    assert (
        changes
        == {
            23: [[0, 3600], [2 * 3600, 7200]],  # at 2:00 it is 3:00
            25: [[0, 7200], [3 * 3600, 3600]],  # at 3:00 it is 2:00
            24: [[0, 7200]],
        }[hours]
    )


# In a child process


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> RecordedShop:
    shop = RecordedShop(tmp_path_factory.mktemp("shop"), SHOP + "\n[upkeep.filter]\nevery_hours = 0.001\n").begin()
    shop.run(5)
    shop.cut("band_saw", 30, then=30)
    shop.say("shop/estop", "1")
    shop.run(2)
    shop.cut("router", 5, then=20)
    shop.end()
    return shop


def asked_of(config: Path) -> LogQuestions:
    return LogQuestions(Settings(*readable(config)))


def facts(answer: Answer) -> Any:  # noqa: ANN401 - JSON
    return json.loads(answer.content)


async def test_a_recorded_shop_answers_all_that_is_asked(shop: RecordedShop) -> None:
    log = asked_of(shop.config)
    assert log.is_here
    why = facts(await log.why("tool", "router"))
    assert why["ok"] is True
    assert any("router" in line for line in why["lines"])
    assert not any("--all" in line for line in why["lines"])
    day = facts(await log.day(local(round(MORNING * 1000)).date().isoformat()))
    assert row(day, "band_saw")["cuts"] == 1
    assert row(day, "band_saw")["spans"][0][1] - row(day, "band_saw")["spans"][0][0] == pytest.approx(30, abs=2)
    (filter_,) = facts(await log.upkeep())["upkeep"]
    assert filter_["name"] == "filter"
    assert filter_["word"] == "due"
    assert "gatehand done filter" in filter_["text"]
    report = await log.report()  # of the last 30 days, in which it has nothing
    assert (report.ok, report.status) == (False, 503)
    assert "30 days" in facts(report)["text"]


async def test_the_report_of_the_last_days_is_a_page(tmp_path: Path) -> None:
    shop = RecordedShop(tmp_path, wall=time.time() - 86_400).begin()
    shop.cut("band_saw", 30, then=30)
    shop.end()
    answer = await asked_of(shop.config).report()
    assert answer.is_html
    assert answer.content.startswith(b"<!doctype html>")
    assert b"band saw" in answer.content


@pytest.mark.parametrize("name", ["json.py", "gatehand.py"])
async def test_what_lies_in_the_folder_where_the_page_was_started_is_not_run(
    shop: RecordedShop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    here = tmp_path / "here"
    here.mkdir()
    (here / name).write_text(f"open({str(here / 'ran')!r}, 'w').close()\n")
    monkeypatch.chdir(here)
    answer = await asked_of(shop.config).upkeep()
    assert not (here / "ran").exists()
    assert answer.ok


@pytest.mark.parametrize(
    ("kind", "name", "status"),
    [("tool", "lathe", 404), ("tool", "--all", 404), ("pipe", "band_saw", 400), ("log", "folder", 400), ("", "", 400)],
)
async def test_what_the_config_does_not_have_never_reaches_a_command_line(
    shop: RecordedShop, monkeypatch: pytest.MonkeyPatch, kind: str, name: str, status: int
) -> None:
    async def started(*_: object, **__: object) -> None:
        raise AssertionError("a child was started")

    monkeypatch.setattr(asyncio, "create_subprocess_exec", started)
    answer = await asked_of(shop.config).why(kind, name)
    assert (answer.ok, answer.status) == (False, status)
    assert facts(answer)["text"]


@pytest.mark.parametrize("day", ["", "yesterday", "2026-02-30", "--help", "1999-12-31", "9999-12-31", "2026-03-05T00"])
async def test_a_date_that_is_none_is_refused(shop: RecordedShop, day: str) -> None:
    answer = await asked_of(shop.config).day(day)
    assert (answer.ok, answer.status) == (False, 400)


async def test_a_day_without_a_date_is_today(shop: RecordedShop) -> None:
    before = date.today()  # noqa: DTZ011 - the machine's
    found = facts(await asked_of(shop.config).day())
    assert date.fromisoformat(found["date"]) in {before, before + timedelta(days=1)}
    assert found["begin"] <= found["now"] <= found["end"] + 60


async def test_without_a_log_here_a_sentence_says_so_and_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(SHOP)
    log = asked_of(tmp_path / "config.toml")
    assert not log.is_here
    text = facts(await log.day())["text"]
    assert str(tmp_path / "log") in text
    assert "on the daemon's computer" in text
    elsewhere = LogQuestions(Settings(None, None))
    assert not elsewhere.is_here
    assert "has no config" in facts(await elsewhere.why("tool", "band_saw"))["text"]


async def test_a_log_that_may_not_be_read_says_so(shop: RecordedShop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may read everything
    answer = await asked_of(shop.config).day()
    assert "group" in facts(answer)["text"]


def test_a_file_of_the_log_that_may_not_be_read_gives_a_sentence(
    shop: RecordedShop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "nice", lambda _: 0)
    monkeypatch.setattr(resource, "setrlimit", lambda *_: None)
    monkeypatch.setattr(log_child, "_of_day", refused)
    monkeypatch.setattr(sys, "stdin", io.StringIO(shop.config.read_text()))
    assert log_child.main(["day", str(shop.config), "2026-03-05"]) == 1
    assert "Permission denied" in json.loads(capsys.readouterr().out)["text"]


# Bounds


CHILD = """
import json, os, sys, time
open(sys.argv[0] + ".ran", "a").write("x")
{what}
"""


@pytest.fixture
def child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> "Child":
    return Child(tmp_path, monkeypatch)


class Child:
    """Another program in the child's stead, which notes each start."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self._file = folder / "child.py"
        start = asyncio.create_subprocess_exec

        async def started(program: str, *words: str, **how: Any) -> asyncio.subprocess.Process:  # noqa: ANN401
            assert program == sys.executable
            assert words[:3] == ("-P", "-m", "gatehand.phone.log_child")
            return await start(program, str(self._file), *words[3:], **how)

        patch.setattr(asyncio, "create_subprocess_exec", started)

    def does(self, what: str) -> None:
        self._file.write_text(CHILD.format(what=what))

    @property
    def starts(self) -> int:
        ran = Path(f"{self._file}.ran")
        return len(ran.read_text()) if ran.exists() else 0


OK = 'sys.stdin.read(); print(json.dumps({"ok": True, "lines": sys.argv}))'


async def test_ten_phones_that_ask_the_same_cost_one_child(shop: RecordedShop, child: Child) -> None:
    child.does(f"time.sleep(0.3); {OK}")
    log = asked_of(shop.config)
    answers = await asyncio.gather(*(log.upkeep() for _ in range(10)))
    assert all(answer.ok for answer in answers)
    assert child.starts == 1
    assert (await log.upkeep()).ok
    assert child.starts == 1
    await log.day()
    assert child.starts == 2


async def test_one_question_waits_for_another_and_not_for_ever(
    shop: RecordedShop, child: Child, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_questions, "WAIT_WITHIN", 0.2)
    child.does(f"time.sleep(1.5); {OK}")
    log = asked_of(shop.config)
    first, second = await asyncio.gather(log.day(), log.upkeep())
    assert first.ok
    assert (second.ok, second.status) == (False, 503)
    assert "Try again" in facts(second)["text"]
    assert child.starts == 1


async def test_a_crowd_that_asks_does_not_wait_with_more_than_a_part_of_the_pages_connections(
    shop: RecordedShop, child: Child, tmp_path: Path
) -> None:
    child.does(f"time.sleep(0 if os.path.exists({str(tmp_path / 'go')!r}) else 3600); {OK}")
    log = asked_of(shop.config)
    crowd = [asyncio.ensure_future(log.day(f"2026-03-{1 + number % 30:02}")) for number in range(MOST)]
    for _ in range(10):  # turns of the loop, in which each comes as far as it does without an answer
        await asyncio.sleep(0)
    refused = [each for each in crowd if each.done()]
    assert MOST // 2 < len(refused) < MOST
    assert all("Try again" in facts(each.result())["text"] for each in refused)
    (tmp_path / "go").touch()
    for each in crowd:
        each.cancel()
    await asyncio.gather(*crowd, return_exceptions=True)
    assert (await log.day()).ok, "nobody waits any more"


async def test_a_child_that_gives_no_answer_in_time_is_ended(
    shop: RecordedShop, child: Child, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(log_questions, "ANSWER_WITHIN", 1.0)
    child.does(f"open({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid())); time.sleep(3600)")
    answer = await asked_of(shop.config).day()
    assert (answer.ok, answer.status) == (False, 503)
    pid = int((tmp_path / "pid").read_text())
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


@pytest.mark.parametrize(
    "what",
    ["print('no JSON')", "print('[1]')", "sys.exit(3)", "raise ValueError('planted')", "os.kill(os.getpid(), 9)"],
)
async def test_a_child_that_fails_gives_a_sentence(shop: RecordedShop, child: Child, what: str) -> None:
    child.does(what)
    answer = await asked_of(shop.config).upkeep()
    assert (answer.ok, answer.status) == (False, 503)
    assert facts(answer)["text"]


async def test_an_answer_without_end_is_cut_off(shop: RecordedShop, child: Child) -> None:
    child.does("while True: print('x' * 100_000)")
    answer = await asked_of(shop.config).report()
    assert (answer.ok, answer.status) == (False, 503)
    assert "too large" in facts(answer)["text"]


async def test_the_end_of_the_page_ends_the_child_and_lets_none_begin(shop: RecordedShop, child: Child) -> None:
    child.does("time.sleep(3600)")
    log = asked_of(shop.config)
    asking = asyncio.ensure_future(log.upkeep())
    while not child.starts:  # noqa: ASYNC110 - another process is waited for
        await asyncio.sleep(0.01)
    log.end()
    assert not (await asking).ok
    assert not (await log.day()).ok
    assert child.starts == 1


async def test_what_is_kept_is_bounded(shop: RecordedShop, child: Child) -> None:
    child.does("sys.stdin.read(); print(json.dumps({'ok': True, 'fill': 'x' * 3_000_000}))")
    log = asked_of(shop.config)
    days = [(datetime.now(UTC).date() - timedelta(days=number)).isoformat() for number in range(2, 7)]
    for day in days:
        await log.day(day)
    assert sum(len(answer.content) for _, answer in log._kept.values()) <= 2 * log_questions.LARGEST  # noqa: SLF001


def test_the_child_takes_the_config_as_it_is_given_and_steps_back(
    shop: RecordedShop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the page knows counts, whatever the file says by now."""
    nice, limits = list[int](), list[object]()
    monkeypatch.setattr(os, "nice", nice.append)
    monkeypatch.setattr(resource, "setrlimit", lambda *limit: limits.append(limit))
    monkeypatch.setattr(sys, "stdin", io.StringIO(shop.config.read_text()))
    assert log_child.main(["upkeep", str(shop.config.parent / "no-such.toml")]) == 0
    assert json.loads(capsys.readouterr().out)["upkeep"][0]["name"] == "filter"
    assert nice == [10]
    assert len(limits) == 1
