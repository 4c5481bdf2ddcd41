"""`gatehand log`: the newest last, by time, by name, as they come; in sentences or as they stand."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from journal_support import FakeClock, stamper

from gatehand.cli import main
from gatehand.journal.line import OwnEvent, encode
from gatehand.journal.reader import Follower
from gatehand_rules.findings import Fact, Finding, Happened, Rule


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


@pytest.fixture
def repeating(folder: Path) -> Path:
    """After the ninety, and later ones among them: two that are news, and ten of each kind of repetition."""
    unanswered = [(("told", "on"), ("tries", tries)) for tries in range(2, 13)]
    counted: tuple[tuple[str, Fact], ...] = (("why", "9 more in the last 60 s"), ("more", 9))
    told: list[tuple[Happened, Rule, tuple[tuple[str, Fact], ...]]] = [(Happened.COLLECTOR_ON, Rule.DEMAND, ())]
    told += [(Happened.COLLECTOR_ON, Rule.REFRESH, ()) for _ in range(10)]
    told += [(Happened.COLLECTOR_UNANSWERED, Rule.ANSWER, facts) for facts in unanswered]
    told += [(Happened.READING_REJECTED, Rule.BAD_VALUE, counted) for _ in range(10)]
    clock = FakeClock(at=datetime.now(UTC).timestamp() - 1)
    stamps = stamper(clock)
    lines = [
        stamps.finding(Finding(event=event, rule=rule, collector="main", facts=facts), 1.0)
        for event, rule, facts in told
    ]
    lines += [stamps.note(OwnEvent.REFUSALS_COUNTED, 1.0, facts={"more": 9, "because": "start refused"})] * 10
    for number, line in enumerate(lines):
        line["seq"] = 100 + number
        with (folder / f"events-{str(line['ts'])[:10]}.jsonl").open("ab") as file:
            file.write(encode(line))
    return folder


@pytest.mark.parametrize("span", [(), ("--since", "2 h ago")])
def test_what_repeats_does_not_fill_the_log(
    repeating: Path, capsys: pytest.CaptureFixture[str], span: tuple[str, ...]
) -> None:
    assert run(repeating, "--json", "-n", "4", *span) == 0
    assert numbers(capsys.readouterr().out) == [89, 90, 100, 111], "the first telling of a switch is news"
    assert run(repeating, "-n", "4", *span) == 0
    assert "time limit" not in capsys.readouterr().out
    assert run(repeating, "--json", "--all", *span) == 0
    assert numbers(capsys.readouterr().out)[-42:] == list(range(100, 142))


def test_counts_are_shown_where_they_are_asked_for(repeating: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(repeating, "--json", "--event", "refusals_counted") == 0
    assert numbers(capsys.readouterr().out) == list(range(132, 142))
    assert run(repeating, "--event", "reading_rejected") == 1
    assert "only repeated commands and counts in" in capsys.readouterr().err


def test_nothing_found_exits_1_and_says_what_there_is(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder, "--tool", "lathe") == 1
    assert f"no such event; {folder} has events from 20" in capsys.readouterr().err
    assert run(folder / "nowhere") == 1
    assert "there is no such folder; has the daemon ever run with this config?" in capsys.readouterr().err
    (folder / "empty").mkdir()
    assert run(folder / "empty") == 1
    assert "no events yet" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--since", "noonish"), "'noonish' is not a time; wanted RFC 3339"),
        (("--event", "tool_start"), "there is no event 'tool_start'; did you mean tool_started?"),
        (("--follow", "--until", "now"), "--follow shows what is still to come, so it takes no --until"),
    ],
)
def test_wrong_usage_exits_2_and_says_what_is_wanted(
    folder: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], says: str
) -> None:
    assert run(folder, *options) == 2
    assert says in capsys.readouterr().err


@pytest.fixture
def config(tmp_path: Path, folder: Path) -> Path:
    made = tmp_path / "shop.toml"
    example = (Path(__file__).parents[2] / "config.example.toml").read_text(encoding="utf-8")
    made.write_text(example.replace("[tool.router]", "[tool.carver]"), encoding="utf-8")
    assert folder.parent == tmp_path
    return made


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--tool", "bandsaw"), "there is no tool 'bandsaw'; did you mean band_saw?"),
        (("--tool", "band saws", "--since", "1 h ago"), "there is no tool 'band_saws'; did you mean band_saw?"),
        (("--tool", "bandsaw", "--follow"), "there is no tool 'bandsaw'; did you mean band_saw?"),
        (("--gate", "bandsaw"), "there is no gate 'bandsaw'; did you mean band_saw?"),
        (("--collector", "mane"), "there is no collector 'mane'; did you mean main?"),
    ],
)
def test_a_name_that_neither_config_nor_log_has_is_wrong_usage(
    config: Path, folder: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], says: str
) -> None:
    assert run(folder, *options, config=config) == 2
    assert says in capsys.readouterr().err


def test_a_name_is_taken_with_its_blank_and_also_where_the_config_has_it_no_longer(
    config: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(folder, "--json", "--tool", "band saw", "-n", "2", config=config) == 0
    assert numbers(capsys.readouterr().out) == [88, 90]
    assert run(folder, "--json", "--tool", "router", "-n", "1", config=config) == 0
    assert numbers(capsys.readouterr().out) == [89]
    assert run(folder, "--gate", "band saw", config=config) == 1, "it is there, and nothing was heard of it"


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
    refresh = Finding(event=Happened.COLLECTOR_ON, rule=Rule.REFRESH, collector="main")
    newest = max(folder.glob("*.jsonl"))
    raw = newest.read_bytes().splitlines(keepends=True)[-1]

    def sleep(_self: Follower, *_args: object) -> "object":
        nonlocal looks
        while looks < 2:
            looks += 1
            with newest.open("ab") as file:
                file.write(encode(stamper(FakeClock()).finding(refresh, 1.0)))
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
    assert told.err == f"{config} has errors (gatehand check shows them); using what can be read of it\n"
