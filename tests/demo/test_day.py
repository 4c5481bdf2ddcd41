"""The demo's day: what it must come to, that its own check would notice if it did not, and what is shown of it."""

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
from virtual_day import VirtualDay

from gatehand.config import Severity
from gatehand.config.load import load_text
from gatehand.demo.day import DAY, ENDS_AT, SCRIPT, LoggedEvent, ShopEvent, first_missing
from gatehand.demo.timeline import Timeline
from gatehand.demo.verdict import STARTS, complaints, is_over, summary
from gatehand.journal.line import LogLine
from gatehand_rules.words import Measure


@pytest.fixture(scope="module")
def lines() -> list[LogLine]:
    return VirtualDay().play()


def of(lines: Iterable[LogLine], event: str, **facts: object) -> list[LogLine]:
    return [line for line in lines if line["event"] == event and all(line.get(k) == v for k, v in facts.items())]


def test_the_demos_config_has_neither_errors_nor_warnings() -> None:
    loaded = load_text((files("gatehand.demo") / "shop.toml").read_text("utf-8"), Path("shop.toml"))
    assert loaded.ok
    assert [problem for problem in loaded.problems if problem.level is not Severity.ERROR] == []


def test_the_demos_shop_has_a_tool_of_each_kind() -> None:
    config = load_text((files("gatehand.demo") / "shop.toml").read_text("utf-8"), Path("shop.toml")).config
    assert config is not None
    assert {tool.measure for tool in config.tool.values()} == set(Measure)


def test_tools_of_each_kind_start_and_stop_by_their_own_facts(lines: list[LogLine]) -> None:
    for tool, fact in (("band_saw", "amps"), ("carving_router", "watts"), ("drum_sander", "running")):
        both = [*of(lines, "tool_started", tool=tool), *of(lines, "tool_stopped", tool=tool)]
        assert len(both) >= 2
        assert all(fact in line for line in both)


@pytest.mark.parametrize("seed", range(5))
def test_the_day_goes_as_scripted_whatever_the_noise(seed: int) -> None:
    day = VirtualDay(seed=seed)
    lines = day.play()
    assert complaints(lines) == []
    assert is_over(lines)
    assert day.against_shut_gates == []


def test_nothing_in_the_day_has_to_wait_on_a_computer_that_is_quick(lines: list[LogLine]) -> None:
    expected: list[LoggedEvent] = []
    began = 0.0
    for one in SCRIPT:
        if isinstance(one, LoggedEvent):
            expected.append(one)
        else:
            since = [line for line in lines if began <= float(str(line["mono"])) <= one.at]
            assert first_missing(expected, since) is None, one
            expected, began = [], one.at


def test_the_day_lasts_about_half_a_minute() -> None:
    assert 25 <= ENDS_AT <= 40
    assert [one.at for one in DAY] == sorted(one.at for one in DAY)


def test_the_fan_stands_and_every_gate_is_shut_when_the_day_is_over() -> None:
    day = VirtualDay()
    day.play()
    assert day.shop.collectors["main"].speed(day.now) == 0.0
    assert {gate.position(day.now) for gate in day.shop.gates.values()} == {0.0}


def test_a_gate_in_fault_is_not_tried_again_and_again_by_the_demand_that_it_failed(lines: list[LogLine]) -> None:
    (fault,) = of(lines, "gate_fault", gate="band_saw")
    (stopped,) = [
        line
        for line in of(lines, "tool_stopped", tool="band_saw")
        if float(str(line["mono"])) > float(str(fault["mono"]))
    ][:1]
    between = lines[lines.index(fault) : lines.index(stopped)]
    assert of(between, "gate_commanded") == []
    assert len(of(between, "start_refused")) == 1


def test_the_summary_names_starts_the_missed_cut_and_what_would_have_caught_it(lines: list[LogLine]) -> None:
    text = "\n".join(summary(lines))
    assert f"{STARTS} starts" in text
    assert "carving router" in text
    assert re.search(r"1\d\d(\.\d)? W at most, under its start_watts of 140 W\. start_watts = 1\d\d would", text)


def without(unwanted: Callable[[LogLine], bool], lines: list[LogLine]) -> list[LogLine]:
    return [line for line in lines if not unwanted(line)]


@pytest.mark.parametrize("event", ["start_missed", "gate_fault", "hand_started", "stop_active", "hold_reset"])
def test_a_scripted_thing_that_is_missing_is_noticed(lines: list[LogLine], event: str) -> None:
    said = complaints(without(lambda line: line["event"] == event, lines))
    assert any(event in one for one in said), said


def test_a_start_without_an_open_gate_is_noticed(lines: list[LogLine]) -> None:
    said = complaints(without(lambda line: line["event"] == "gate_open" and line.get("gate") == "band_saw", lines))
    assert any("no gate proven open" in one for one in said), said


def test_a_start_too_many_is_noticed(lines: list[LogLine]) -> None:
    again = of(lines, "collector_on", rule="demand")[-1]
    assert any("started" in one for one in complaints([*lines, again]))


def test_a_fan_that_is_not_off_at_once_is_noticed(lines: list[LogLine]) -> None:
    late = [
        {**line, "mono": float(str(line["mono"])) + 0.7}
        if line["event"] == "collector_off" and line.get("rule") == "stop_contact"
        else line
        for line in lines
    ]
    assert any("stop_active" in one for one in complaints(late))


def test_another_day_is_noticed() -> None:
    lame = [one if one.at != 9.8 else replace(one, messages={}) for one in DAY]
    assert complaints(VirtualDay(lame).play())


def told(lines: list[LogLine], day: tuple[ShopEvent, ...] = DAY, width: int = 80) -> str:
    written: list[str] = []
    timeline = Timeline(width, written.append)
    timeline.open(0.0)
    for one in day:
        timeline.shop(one.at, one.text)
    timeline.gatehand(lines)
    timeline.print_until(1000.0)
    return "\n".join(written)


@pytest.mark.parametrize("width", [20, 80, 100, 500])
def test_the_timeline_keeps_within_the_screen_and_never_below_80_columns(lines: list[LogLine], width: int) -> None:
    longest = max(len(row) for row in told(lines, width=width).splitlines())
    assert longest < max(80, width)


def test_on_a_narrow_screen_gatehands_words_stand_below_the_shops(lines: list[LogLine]) -> None:
    rows = told(lines, width=40).splitlines()
    assert max(map(len, rows)) < 40
    assert rows[:2] == ["     s  In the shop", "        > what Gatehand did, and why"]
    at = next(number for number, row in enumerate(rows) if "The band saw cuts" in row)
    after = next(row for row in rows[at:] if "> " in row)
    assert after.startswith("        > Band saw started")
    wide = " ".join(told(lines, width=120).split())
    assert sorted(re.findall(r"[a-z]{3,}", " ".join(rows[3:]))) == sorted(
        re.findall(r"[a-z]{3,}", wide.split("---")[-1])
    )


def test_the_timeline_tells_each_scripted_thing_in_order_of_time(lines: list[LogLine]) -> None:
    text = told(lines)
    shop = " ".join(" ".join(row[8:34] for row in text.splitlines()).split())
    for one in DAY:
        assert one.text in shop
    seconds = [float(row[:6]) for row in text.splitlines()[2:] if row[:6].strip()]
    assert seconds == sorted(seconds)
    assert len(seconds) > 30


def test_a_happening_and_its_first_answer_stand_in_one_row(lines: list[LogLine]) -> None:
    row = next(row for row in told(lines).splitlines() if "The band saw cuts" in row)
    assert "Band saw started" in row


def test_the_timeline_tells_what_an_edit_of_the_config_changed_and_why_one_was_not_taken() -> None:
    """Who plays with `--keep` edits a delay first."""
    edits: list[LogLine] = [
        {"ts": "", "mono": 1.0, "event": "config_loaded", "path": "shop.toml"},
        {"ts": "", "mono": 2.0, "event": "config_loaded", "path": "shop.toml", "changed": "tool.saw.run_on: 2 -> 3"},
        {"ts": "", "mono": 3.0, "event": "config_rejected", "path": "shop.toml", "why": "no key run_onn here"},
    ]
    said = " ".join(told(edits, (), 100).split())
    assert said.count("Config loaded") == 1
    assert "changed: tool.saw.run_on: 2 -> 3." in said
    assert "no key run_onn here" in said
