"""The moment that is asked about: a second is that second, a minute that minute; what lies further off is said so."""

import argparse
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.commands.why import asked
from why.why_support import DAY, why

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]

PRESSED = (
    "you pressed its gate's button at 08:00:41, while band saw ran: the tool is ignored until it stops "
    "(falls below its "
)
SERVED = (
    "band saw started at 08:00:31 (6 A, at or above its start_amps of 2.5 A); the collector was switched on 0.92 s "
    "later, once gate band saw was open; you pressed its gate's button at 08:00:41: the tool was ignored "
    "from then until it stopped"
)
LIGHT = "band saw drew 2.2 A at most from 08:01:21 to 08:01:31 (10 s), 0.3 A below its start_amps of 2.5 A"


def pressed_in_mid_cut(make: Make) -> RecordedShop:
    """A cut at 08:00:31, its button at :41, its end at 08:01:01; a light cut from 08:01:21 to :31."""
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/gate/band_saw/button", "1")
    shop.run(20)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(20)
    shop.cut("band_saw", 10, amps=2.2, then=60)
    return shop


def test_a_cut_that_a_button_ended_is_told_at_each_second_of_it(make: Make, capsys: Out) -> None:
    shop = pressed_in_mid_cut(make)
    told = {
        at: why(shop, capsys, "band_saw", "--at", f"{DAY}T{at}")["verdict"]
        for at in ("08:00:30", "08:00:31", "08:00:40", "08:00:41", "08:00:42", "08:01:01", "08:01:20", "08:01:22")
    }
    assert told["08:00:30"] == told["08:00:31"] == told["08:00:40"] == SERVED
    assert told["08:00:41"] == told["08:00:42"] == told["08:01:01"] == PRESSED + "stop_amps of 1.75 A)"
    assert told["08:01:20"].startswith(LIGHT)
    assert told["08:01:22"].startswith(LIGHT)


def test_a_minute_is_all_of_it_and_what_came_to_nothing_counts_before_what_was_served(make: Make, capsys: Out) -> None:
    shop = pressed_in_mid_cut(make)
    assert why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00")["verdict"].startswith(PRESSED)
    assert why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01")["verdict"].startswith(LIGHT)


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_recording_that_broke_off_is_no_daemon_that_died(make: Make, capsys: Out, goes_on: bool) -> None:
    """As on a full disk: the log goes on by the same run, or by a later one."""
    shop = make()
    shop.run(60)
    shop.recorder.flush()
    kept = {path: path.read_bytes() for path in shop.folder.iterdir() if not path.name.startswith("events")}
    if not goes_on:
        shop.close()
    shop.run(400, alive=goes_on)
    shop.recorder.flush()
    for path, whole in kept.items():
        path.write_bytes(whole)
    if goes_on:
        shop.cut("band_saw", 5, amps=6, then=30)
    else:
        shop.begin()
    assert kept
    case = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:02:00")["case"]
    assert case == ("under_threshold" if goes_on else "daemon_not_running")


def test_the_press_is_shown_with_the_cut_that_it_ended_and_nothing_else(make: Make, capsys: Out) -> None:
    found = why(pressed_in_mid_cut(make), capsys, "band_saw", "--at", f"{DAY}T08:00:41")
    assert [(one["ts"][11:19], one["text"][:22]) for one in found["story"]] == [
        ("08:00:31", "band saw started: 6 A,"),
        ("08:00:41", "band saw is muted unti"),
    ]
    assert [one["event"] for one in found["findings"]] == ["tool_muted", "tool_started"]
    assert [one["text"][:16] for one in found["causes"]] == ["band saw started"]
    assert found["not_proven"] is None


def test_all_shows_what_is_left_out(make: Make, capsys: Out) -> None:
    shop = pressed_in_mid_cut(make)
    at = f"{DAY}T08:00:41"
    whole = why(shop, capsys, "band_saw", "--at", at, "--all")
    texts = [one["text"] for one in whole["story"]]
    assert "gate band saw told to open" in texts
    assert len(texts) > len(why(shop, capsys, "band_saw", "--at", at)["story"])
    config = ["--config", str(shop.config)]
    main(["why", "band_saw", "--at", at, *config])
    assert capsys.readouterr().out.endswith("\n\nAll lines around it: --all\n")
    main(["why", "band_saw", "--at", at, "--all", *config])
    assert "--all" not in capsys.readouterr().out


def light_cut(make: Make) -> RecordedShop:
    """2.2 A from 08:00:31.030 to 08:00:51.030, then a long pause."""
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=900)
    return shop


@pytest.mark.parametrize(
    ("at", "lead"),
    [
        ("08:00", None),
        ("08:00:00", None),
        ("08:00:31", None),
        ("08:01:31", None),
        ("08:01:32", "Nothing happened to the band saw at 08:01:32; the nearest is at 08:00:31: "),
        ("07:58", "Nothing happened to the band saw at 07:58; the nearest is at 08:00:31: "),
        ("08:05", "Nothing happened to the band saw at 08:05; the nearest is at 08:00:31: "),
        ("08:05:51", "Nothing happened to the band saw at 08:05:51; the nearest is at 08:00:31: "),
    ],
)
def test_what_is_more_than_a_minute_off_is_said_so_first(
    make: Make, capsys: Out, monkeypatch: pytest.MonkeyPatch, at: str, lead: str | None
) -> None:
    if at < "08:00":  # before the daemon's own start, which would be the answer
        monkeypatch.setattr("gatehand.why.ask.not_running", lambda _context: None)
    shop = light_cut(make)
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T{at}")
    assert found["case"] == "under_threshold"
    assert found["would_have_started"] == {"start_amps": 2.2}
    assert found["lead"] == lead
    if lead is not None:
        main(["why", "band_saw", "--at", f"{DAY}T{at}", "--config", str(shop.config)])
        assert f"\n\n{lead}band saw drew 2.2 A at most" in capsys.readouterr().out


def test_further_off_than_five_minutes_it_is_not_the_one_asked_about(make: Make, capsys: Out) -> None:
    shop = light_cut(make)
    assert why(shop, capsys, "band_saw", "--at", f"{DAY}T08:05:51")["would_have_started"] == {"start_amps": 2.2}
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:05:52")
    assert found["verdict"].startswith("band saw drew 0.052 A at most around 08:05:52 (at 08:0")
    assert found["verdict"].endswith(
        "it counts as running from its start_amps of 2.5 A on: as far as its sensor says, it did not run"
    )
    assert found["lead"] is None


def test_it_names_nobody_where_nobody_was_asked_about(make: Make, capsys: Out) -> None:
    lead = "Nothing happened at 08:04; the nearest is at 08:00:31: "
    assert why(light_cut(make), capsys, "--at", f"{DAY}T08:04")["lead"] == lead


def test_a_collector_is_told_as_it_was_and_the_light_cut_as_the_nearest(make: Make, capsys: Out) -> None:
    found = why(light_cut(make), capsys, "main", "--at", f"{DAY}T08:04")
    assert (found["case"], found["lead"]) == ("nothing_in_the_log", None)
    assert found["verdict"].startswith("the collector had been off for 4 min 59 s: 08:00:00 collector switched off")
    assert found["verdict"].endswith("; nothing asked for it since"), "a light cut did not"
    assert found["nearest"].startswith("08:00:51 band saw did not count as running: it drew 2.2 A at most")


def test_what_went_on_at_the_moment_says_when_it_had_begun(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(300)
    leads = {at: why(shop, capsys, "band_saw", "--at", f"{DAY}T{at}")["lead"] for at in ("08:01:31", "08:01:32")}
    assert leads == {"08:01:31": None, "08:01:32": "What went on at 08:01:32 had begun at 08:00:31: "}


def test_without_a_time_the_heading_is_the_moment_of_the_answer(make: Make, capsys: Out) -> None:
    """The last odd word came in the middle of a refused cut; the answer is about the cut."""
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/band_saw/amps", "six")
    shop.run(30)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(30)
    found = why(shop, capsys, "band_saw")
    assert (found["case"], found["at"]) == ("rejected", "2026-03-05T08:00:46.000Z")
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00")
    assert (found["case"], found["at"]) == ("bin_full", "2026-03-05T08:00:00.000Z")
    main(["why", "router", "--at", f"{DAY}T08:00:05", "--config", str(shop.config)])
    assert capsys.readouterr().out.startswith("tool router, 2026-03-05 08:00:05\n\n")


def test_without_a_time_a_cut_is_headed_by_its_start(make: Make, capsys: Out) -> None:
    assert why(light_cut(make), capsys)["at"] == "2026-03-05T08:00:31.030Z"


def test_a_refusal_in_the_second_in_which_the_daemon_had_just_started_is_told(make: Make, capsys: Out) -> None:
    shop = make()
    shop.end()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10, alive=False)
    shop.begin()
    shop.run(30)
    last = why(shop, capsys, "band_saw")
    assert last["case"] == "not_fresh"
    found = why(shop, capsys, "band_saw", "--at", last["at"][:19] + "Z")
    assert found["case"] == "not_fresh"
    second_before = f"{int(last['at'][17:19]) - 2:02}"
    found = why(shop, capsys, "band_saw", "--at", f"{last['at'][:17]}{second_before}Z")
    assert found["case"] == "daemon_not_running"


def evening() -> datetime:
    """Now, where a test asks by the time of day, in the zone that the test has set."""
    return datetime.fromisoformat(f"{DAY}T18:30").astimezone()


@pytest.mark.parametrize(
    ("text", "lasts"),
    [
        ("14:32", 60_000),
        ("14:32:07", 1000),
        ("14:32:07.250", 1000),
        ("yesterday 9:00", 60_000),
        ("yesterday", 60_000),
        ("now", 1000),
        ("2 h ago", 60_000),
        ("-30 min", 60_000),
        ("20 s ago", 1000),
        ("20 seconds ago", 1000),
        ("2026-03-05T14:32", 60_000),
        ("2026-03-05T14:32:10+01:00", 1000),
    ],
)
def test_a_moment_is_as_fine_as_it_was_given(text: str, lasts: int) -> None:
    assert asked(text, evening()).lasts_ms == lasts


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("18:30:01", '; for the day before, write "yesterday 18:30:01"'),
        ("23:50", '; for the day before, write "yesterday 23:50"'),
        ("2026-03-05T23:50", ""),
    ],
)
def test_a_time_of_day_that_is_still_to_come_is_told_with_the_way_to_the_evening_before(text: str, hint: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError) as told:
        asked(text, evening())
    assert str(told.value).endswith(f" is still to come{hint}")
    assert asked("18:30:00", evening()).at == evening()


def test_lines_are_wrapped_on_a_terminal_and_each_in_one_piece_for_a_program(
    make: Make, capsys: Out, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = make(SHOP)
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    config = ["--config", str(shop.config)]
    main(["why", "band_saw", *config])
    plain = capsys.readouterr().out
    assert max(map(len, plain.splitlines())) > 200
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    main(["why", "band_saw", *config])
    wrapped: Any = capsys.readouterr().out
    assert max(map(len, wrapped.splitlines())) <= 60
    assert wrapped.split() == plain.split()
    assert "\n    " in wrapped


def test_a_folder_that_is_not_there_is_told(tmp_path: Path, capsys: Out) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP, "utf-8")
    assert main(["why", "--config", str(config), "--at", "yesterday 08:00"]) == 1
    assert (
        f"{tmp_path / 'log'}: there is no such folder; has the daemon run with this config?" in capsys.readouterr().err
    )


def test_a_mute_that_was_over_by_the_moment_says_until_when(make: Make, capsys: Out) -> None:
    """Nothing of it went on then: that is said first."""
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/gate/band_saw/button", "1")
    shop.run(20)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(120)
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:02:11")
    assert found["lead"] == "Nothing happened to the band saw at 08:02:11; the nearest is at 08:00:41: "
    assert found["verdict"] == (
        "you pressed its gate's button at 08:00:41, while band saw ran: the tool was ignored until it stopped, at "
        "08:01:01"
    )
    assert found["next_step"] == "Its next start counts. A hand ranks above automation; no setting changes this."
