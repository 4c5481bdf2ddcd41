"""The day's bars and the answer of Why?: what came of the log, at the clock of the shop, and not of an hour ago."""

from typing import Any, Final

import pytest
from moments import MOMENTS, Stage
from phone_screen import Phone
from playwright.sync_api import expect

pytestmark = pytest.mark.broker
BEGIN: Final = 1_774_738_800  # 2026-03-29 0:00 in a zone 1 h ahead of UTC, where it is 3:00 at 2:00: a day of 23 h
SAW: Final = {"name": "band_saw", "title": "band saw", "spans": [], "cuts": 0, "text": "not used"}
DAY: Final[dict[str, Any]] = {
    "ok": True,
    "date": "2026-03-29",
    "begin": BEGIN,
    "end": BEGIN + 23 * 3600,
    "offsets": [[BEGIN, 3600], [BEGIN + 2 * 3600, 7200]],
    "now": BEGIN + 8 * 3600,
    "tools": [SAW],
    "collectors": [],
    "missed": [],
    "text": "Nothing ran.",
}


def answers(seen: Phone, path: str, answer: object) -> None:
    """What a question gives from now on."""
    seen.page.route(f"**/{path}", lambda route: route.fulfill(json=answer))


def looks(stage: Stage, **more: object) -> Phone:
    """A phone whose page can ask the log."""
    stage.at(MOMENTS["rest"])
    seen = stage.looks(**more)
    answers(seen, "me", {"paired": False, "allow": [], "log": True})
    answers(seen, "upkeep", {"ok": True, "upkeep": []})
    answers(seen, "day*", DAY)
    seen.page.reload()
    return seen


def test_a_day_on_which_the_clock_is_put_forward_is_told_by_the_clock(stage: Stage) -> None:
    seen = looks(stage)
    cut = [BEGIN + 7 * 3600, BEGIN + 7 * 3600 + 1800]  # the seventh hour of that day begins at 8:00
    missed = [{"at": BEGIN + 3600, "text": "start missed"}, {"at": BEGIN + 2 * 3600, "text": "start missed"}]
    answers(seen, "day*", DAY | {"tools": [SAW | {"spans": [cut], "cuts": 1}], "missed": missed, "text": "1 cut."})
    seen.page.locator("#day").scroll_into_view_if_needed()
    expect(seen.page.locator("#day-date")).to_have_text("Today, 2026-03-29, up to 09:00")
    expect(seen.page.locator("#day-table tbody")).to_contain_text("08:00 to 08:30")
    expect(seen.page.locator("#missed li")).to_have_text(["01:00 start missed.", "03:00 start missed."])
    expect(seen.page.locator("#hours span").first).to_have_text("08:00")


def test_today_keeps_up_while_it_is_looked_at(stage: Stage) -> None:
    seen = looks(stage, clock=True)
    seen.page.locator("#day").scroll_into_view_if_needed()
    expect(seen.page.locator("#day-text")).to_have_text("Nothing ran.")
    answers(seen, "day*", DAY | {"now": BEGIN + 9 * 3600, "text": "1 cut."})
    seen.page.clock.run_for(120_000)
    seen.pass_until(lambda: seen.page.locator("#day-text").inner_text() == "1 cut.")
    expect(seen.page.locator("#day-date")).to_have_text("Today, 2026-03-29, up to 10:00")


def test_why_shows_of_which_device_it_tells_and_what_to_do_next_and_can_always_be_closed(stage: Stage) -> None:
    seen = looks(stage)
    answers(seen, "why*", {"ok": True, "lines": [*["what happened"] * 60, "  > Look: `gatehand exercise`."]})
    seen.page.locator('[data-part="station:band_saw"] [data-do=why]').click()
    lines = seen.page.locator("#why-lines li")
    expect(lines.last).to_have_text("Next: Look: gatehand exercise.")
    expect(lines.last.locator("code")).to_have_text("gatehand exercise")
    expect(seen.page.locator("#why .choices [aria-pressed=true]")).to_have_text("band saw")
    width = "each => getComputedStyle(each).borderTopWidth"
    chosen, other = (seen.page.locator("#why .choices button").nth(at).evaluate(width) for at in (0, 1))
    assert chosen != other, "which one is chosen is to be seen, in forced colours too"
    expect(seen.page.locator("#why [data-close]")).to_be_in_viewport()  # though the answer is longer than the phone
