"""`gatehand log`: the newest last, by time, by name, as they come; in sentences or as they stand."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from journal_support import FakeClock, stamper

from gatehand.cli import main
from gatehand.journal.line import encode
from gatehand.journal.reader import Follower
from gatehand_rules.findings import Finding, Happened, Rule


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Ninety events, the last one a second ago."""
    made = tmp_path / "log"
    made.mkdir()
    clock = FakeClock(at=(datetime.now(UTC) - timedelta(minutes=90)).timestamp() - 1)
    stamps = stamper(clock)
    for n in range(90):
        clock.step(60)
        tool, event = ("band_saw", Happened.TOOL_STARTED) if n % 2 else ("router", Happened.TOOL_STOPPED)
        line = stamps.finding(
            Finding(event=event, rule=Rule.START_THRESHOLD, tool=tool, facts=(("amps", float(n)),)), 1.0
        )
        with (made / f"events-{str(line['ts'])[:10]}.jsonl").open("ab") as file:
            file.write(encode(line))
    return made


def run(folder: Path, *options: str, config: Path | None = None) -> int:
    return main(["log", *(("--log", str(folder)) if config is None else ("--config", str(config))), *options])


def numbers(text: str) -> list[int]:
    return [json.loads(line)["seq"] for line in text.splitlines()]


def test_the_last_events_are_shown_newest_last_in_local_time(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder, "-n", "2") == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.endswith("  router stopped, its sensor says that it runs")
    assert second.endswith("  band saw started")
    moment = datetime.strptime(second[:23], "%Y-%m-%d %H:%M:%S.%f").astimezone()
    assert abs(datetime.now(UTC) - moment) < timedelta(minutes=1)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ((), list(range(41, 91))),
        (("-n", "3"), [88, 89, 90]),
        (("--since", "10 min ago"), list(range(81, 91))),
        (("--since", "10 min ago", "-n", "2"), [89, 90]),
        (("--until", "80 min ago"), list(range(1, 11))),
        (("--since", "20 min ago", "--until=-15 min"), list(range(71, 76))),
        (("--tool", "band_saw", "-n", "2"), [88, 90]),
        (("--tool", "band_saw", "--tool", "router", "-n", "2"), [89, 90]),
        (("--event", "tool_stopped", "-n", "1"), [89]),
    ],
)
def test_events_are_chosen_by_time_and_name(
    folder: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], expected: list[int]
) -> None:
    assert run(folder, "--json", *options) == 0
    assert numbers(capsys.readouterr().out) == expected


def test_nothing_found_exits_1_and_says_what_there_is(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder, "--tool", "lathe") == 1
    assert f"no such event; {folder} has events from 20" in capsys.readouterr().err
    assert run(folder / "nowhere") == 1
    assert "there is no such folder; has the daemon run with this config?" in capsys.readouterr().err
    (folder / "empty").mkdir()
    assert run(folder / "empty") == 1
    assert "no events yet" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--since", "noonish"), "'noonish' is not a time; wanted: RFC 3339"),
        (("--event", "tool_start"), "there is no event 'tool_start'; did you mean tool_started?"),
        (("--follow", "--until", "now"), "--follow shows what is to come and takes no --until"),
    ],
)
def test_wrong_usage_exits_2_and_says_what_is_wanted(
    folder: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], says: str
) -> None:
    assert run(folder, *options) == 2
    assert says in capsys.readouterr().err


def test_a_torn_line_is_skipped_and_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    newest = max(folder.glob("*.jsonl"))
    with newest.open("ab") as file:
        file.write(b'{"ts":"2026')
    assert run(folder, "-n", "1") == 0
    printed = capsys.readouterr()
    assert printed.out.endswith("band saw started\n")
    assert f"{newest}, line 1 from the end: skipped, no JSON" in printed.err


def test_following_shows_what_comes_until_interrupted(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = 0
    newest = max(folder.glob("*.jsonl"))
    raw = newest.read_bytes().splitlines(keepends=True)[-1]

    def sleep(_self: Follower, *_args: object) -> "object":
        nonlocal looks
        while looks < 2:
            looks += 1
            with newest.open("ab") as file:
                file.write(raw.replace(b'"seq":90', b'"seq":%d' % (90 + looks)))
            yield from _self.poll()
        raise KeyboardInterrupt

    monkeypatch.setattr(Follower, "follow", sleep)
    assert run(folder, "--follow", "--json", "-n", "1") == 0
    assert numbers(capsys.readouterr().out) == [90, 91, 92]


def test_the_folder_is_the_configs_relative_to_it(
    folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config = tmp_path / "shop.toml"
    config.write_text((Path(__file__).parents[2] / "config.example.toml").read_text(encoding="utf-8"), encoding="utf-8")
    assert run(folder, "-n", "1", "--json", config=config) == 0
    assert numbers(capsys.readouterr().out) == [90]
    config.unlink()
    assert run(folder, config=config) == 1
    assert "without a config, say where the log is with --log FOLDER" in capsys.readouterr().err


def test_the_log_is_read_beside_a_config_that_is_being_mended(
    folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config = tmp_path / "shop.toml"
    config.write_text(f'[log]\nfolder = "{folder.name}"\n[tool.band_saw]\nrunon = 3\n', encoding="utf-8")
    assert run(folder, "-n", "1", "--json", config=config) == 0
    told = capsys.readouterr()
    assert numbers(told.out) == [90]
    assert told.err == f"{config} has errors, gatehand check shows them; using what can be read of it\n"
