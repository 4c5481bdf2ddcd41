"""The digest of a day: once on each day, at its time, by the local clock, whatever that clock does."""

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.quick_shop import quick_shop

from gatehand.notify.digest import MOST_DAYS, Digests, told
from gatehand.notify.digest_child import facts
from gatehand.notify.memory import Digested
from gatehand.notify.telling import TRIES

ZONE = ZoneInfo("Europe/Berlin")
"""Summer time there: 2026-03-29 02:00 to 03:00 is left out, 2026-10-25 02:00 to 03:00 comes twice."""
SIX = time(18)


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()


def clock(wall: float) -> datetime:
    return datetime.fromtimestamp(wall, ZONE).replace(tzinfo=None)


def digests(start: str, remembered: Digested | None = None, when: time = SIX) -> Digests:
    return Digests(when, remembered, at(start), clock)


def tell(found: Digests, wall: float) -> bool:
    """Look; and where one is due, tell it."""
    due = found.look(wall)
    if due:
        found.begin()
        found.ended(well=True, until=wall, wall=wall)
    return due


def days(found: Digests, start: str, hours: int, step: int = 600) -> list[str]:
    """When it was told, in that many hours."""
    walls = (at(start) + seconds for seconds in range(0, hours * 3600, step))
    return [f"{clock(wall):%m-%d %H:%M}" for wall in walls if tell(found, wall)]


def test_it_is_told_once_a_day_at_its_time() -> None:
    assert days(digests("2026-03-02 08:00"), "2026-03-02 08:00", 72) == ["03-02 18:00", "03-03 18:00", "03-04 18:00"]


@pytest.mark.parametrize(
    ("start", "when", "wanted"),
    [
        ("2026-03-28 12:00", time(2, 30), ["03-29 03:00", "03-30 02:30"]),
        ("2026-10-24 12:00", time(2, 30), ["10-25 02:30", "10-26 02:30"]),
        ("2026-03-28 12:00", SIX, ["03-28 18:00", "03-29 18:00"]),
        ("2026-10-24 12:00", SIX, ["10-24 18:00", "10-25 18:00"]),
    ],
)
def test_summer_time_neither_skips_nor_doubles_it(start: str, when: time, wanted: list[str]) -> None:
    assert days(digests(start, when=when), start, 40) == wanted


def test_a_restart_on_the_same_day_does_not_tell_it_again() -> None:
    found = digests("2026-03-02 17:00")
    assert tell(found, at("2026-03-02 18:00"))
    again = digests("2026-03-02 18:05", found.state)
    assert days(again, "2026-03-02 18:05", 5) == []
    assert again.span(at("2026-03-03 18:00"))[0] == at("2026-03-02 18:00")


def test_a_machine_that_was_off_at_the_time_tells_it_on_its_next_start_that_day() -> None:
    known = Digested("2026-03-01", at("2026-03-01 18:00"))
    assert days(digests("2026-03-02 20:00", known), "2026-03-02 20:00", 2) == ["03-02 20:00"]


def test_a_machine_that_was_off_until_the_next_day_tells_both_days_in_one() -> None:
    known = Digested("2026-03-01", at("2026-03-01 18:00"))
    found = digests("2026-03-03 07:00", known)
    assert not found.look(at("2026-03-03 07:00"))
    assert found.look(at("2026-03-03 18:00"))
    assert found.span(at("2026-03-03 18:00")) == (at("2026-03-01 18:00"), at("2026-03-03 18:00"))
    late = digests("2026-12-03 07:00", known)
    assert late.span(at("2026-12-03 18:00"))[0] == at("2026-12-03 18:00") - MOST_DAYS * 86_400


def test_a_first_start_after_the_time_waits_for_the_next_day() -> None:
    found = digests("2026-03-02 19:00")
    assert days(found, "2026-03-02 19:00", 24) == ["03-03 18:00"]


@pytest.mark.parametrize("day", ["2026-03-02", "2026-03-29", "2026-10-25"])
def test_the_first_one_tells_from_midnight_on_however_long_the_day(day: str) -> None:
    assert digests(f"{day} 19:00").span(at(f"{day} 19:00"))[0] == at(f"{day} 00:00")


def test_a_process_that_was_killed_while_it_told_does_not_tell_it_twice_and_the_next_one_tells_of_that_time() -> None:
    found = digests("2026-03-02 17:00")
    begin = found.span(at("2026-03-02 18:00"))[0]
    assert found.look(at("2026-03-02 18:00"))
    found.begin()
    again = digests("2026-03-02 18:01", found.state)
    assert days(again, "2026-03-02 18:01", 5) == []
    assert again.span(at("2026-03-03 18:00"))[0] == begin


def test_one_that_fails_is_tried_again_and_given_up_and_the_next_one_tells_of_it() -> None:
    found = digests("2026-03-02 00:01", when=time(0, 10))
    begin, wall, tries = found.span(at("2026-03-02 00:10"))[0], at("2026-03-02 00:10"), 0
    while clock(wall).date() == date(2026, 3, 2):
        if found.look(wall):
            found.begin()
            tries += 1
            assert found.ended(well=False, until=wall, wall=wall) is (tries == TRIES)
        wall += 10
    assert tries == TRIES
    assert found.look(at("2026-03-03 00:10"))
    assert found.span(at("2026-03-03 00:10"))[0] == begin


def test_one_that_fails_in_the_evening_is_left_to_the_next_day() -> None:
    found = digests("2026-03-02 17:00", when=time(23, 58))
    assert found.look(at("2026-03-02 23:58"))
    found.begin()
    found.ended(well=False, until=0, wall=at("2026-03-02 23:58"))
    assert not found.look(at("2026-03-03 00:10"))
    assert found.look(at("2026-03-03 23:58"))


def test_a_clock_that_was_wrong_by_years_does_not_silence_it_for_years() -> None:
    found = digests("2026-03-02 12:00", Digested("2099-01-01", at("2099-01-01 18:00")))
    assert days(found, "2026-03-02 12:00", 48) == ["03-03 18:00"]
    early = digests("1970-01-02 12:00", Digested("2026-03-01", at("2026-03-01 18:00")))
    assert days(early, "1970-01-02 12:00", 8) == []


@given(
    st.lists(st.tuples(st.integers(-3 * 86_400, 3 * 86_400), st.booleans(), st.booleans()), max_size=30),
    st.times(timezones=st.none()),
)
def test_it_is_never_told_twice_on_a_day_however_the_clock_is_set(
    steps: list[tuple[int, bool, bool]], when: time
) -> None:
    wall = at("2026-10-20 12:00")
    found, told_on = Digests(when, None, wall, clock), []
    highest = date.min
    for by, well, restart in steps:
        wall += by
        highest = max(highest, clock(wall).date())
        if found.look(wall):
            found.begin()
            if restart:
                found = Digests(when, found.state, wall, clock)
                continue
            found.ended(well=well, until=wall, wall=wall)
            if well:
                told_on.append(clock(wall).date())
        elif restart:
            found = Digests(when, found.state, wall, clock)
    within_a_day = [
        (one, two)
        for number, one in enumerate(told_on)
        for two in told_on[number + 1 :]
        if one == two and highest - one <= timedelta(days=1)
    ]
    assert not within_a_day


def test_a_config_with_errors_a_missing_log_and_an_empty_one_are_told_as_what_they_are(tmp_path: Path) -> None:
    span = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC)
    config = tmp_path / "config.toml"
    config.write_text("[broker\n")
    assert "the config has errors" in str(facts(config, *span)["problem"])
    config.write_text(quick_shop(1883))
    assert "no event log on this computer" in str(facts(config, *span)["problem"])
    (tmp_path / "log").mkdir()
    assert facts(config, *span)["problem"] == "nothing was recorded in this time"


def test_a_day_that_was_recorded_is_counted(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(quick_shop(1883))
    (tmp_path / "log").mkdir()
    lines = [
        {"event": "daemon_started"},
        {"event": "tool_started", "tool": "band_saw"},
        {"event": "collector_on", "collector": "main", "rule": "demand"},
        {"event": "tool_stopped", "tool": "band_saw"},
        {"event": "collector_off", "collector": "main"},
        {"event": "start_missed", "tool": "band_saw", "rule": "below_start_threshold"},
        {"event": "alarm_raised", "alarm": "gate.band_saw.fault"},
    ]
    whole = [
        {"ts": f"2026-03-02T09:00:{number:02}.000Z", "mono": float(number), "run": "a", "seq": number, **line}
        for number, line in enumerate(lines)
    ]
    (tmp_path / "log/events-2026-03-02.jsonl").write_text("".join(json.dumps(each) + "\n" for each in whole))
    found = facts(tmp_path / "config.toml", datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC))
    assert found["problem"] is None
    [saw] = [one for one in found["tools"] if one["tool"] == "band_saw"]  # type: ignore[attr-defined]
    assert (saw["cuts"], saw["missed"]) == (1, 1)
    assert found["alarms"] == {"gate.band_saw.fault": 1}
    assert "below its start threshold" in str(found["text"])
    whole_digest = told(found, (0.0, 86_400.0), [])
    assert whole_digest["kind"] == "digest"
    json.dumps(whole_digest)
