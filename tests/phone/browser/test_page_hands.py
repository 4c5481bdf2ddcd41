"""What a paired phone asks for, of the real daemon: it is done by the daemon, and shown by nothing but the stream."""

import re
from collections.abc import Callable, Iterator
from typing import Any, Final

import pytest
from page_boxes import measured
from page_shop import Devices, RunningPage
from phone_screen import MANY_MS, Phone
from playwright.sync_api import Locator, Route, expect
from support.child import RunningDaemon
from support.mosquitto import Mosquitto
from support.quick_shop import quick_shop

pytestmark = pytest.mark.broker
SWEEP = """
[gate.sweep]
command = { topic = "shop/gate/sweep/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/sweep/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/sweep/button", pressed = "1" }
travel = 5

[page]
allow = ["hand", "hold", "reset"]
"""


@pytest.fixture(scope="module")
def devices(broker: Mosquitto) -> Iterator[Devices]:
    found = Devices(broker.port)
    yield found
    found.close()


@pytest.fixture(scope="module")
def shop(broker: Mosquitto, devices: Devices, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningPage]:
    """The daemon, its fan off and its gates shut, and the page beside it."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "config.toml").write_text(quick_shop(broker.port, SWEEP, coast_down=0.3, travel=5))
    with RunningPage(folder) as page, RunningDaemon(folder):
        devices.wait(lambda: devices.state("collector/main") == "off", "the fan is off")
        devices.wait(lambda: devices.state("gate/sweep") == "shut", "the gate is shut")
        yield page


@pytest.fixture
def seen(shop: RunningPage, devices: Devices, phone: Callable[..., Phone]) -> Iterator[Phone]:
    """A phone that is paired, before a shop at rest. At the end of the test the shop is put to rest again."""
    found = phone(shop.url).hears()
    found.expects(BUSY)
    found.pair(shop.code())
    found.shows("station:sweep", "shut")
    expect(found.button("hold", "main")).to_be_enabled()
    yield found
    devices.say("gatehand/gate/sweep/hand", "0")
    devices.wait(lambda: devices.state("gate/sweep") == "shut", "the gate is shut, which the fan's rest comes before")


BUSY: Final = r"503 .* /(upkeep|day|why)$"
"""Who reads the log steps back for everybody else: on a busy machine the page may have to say that it comes later."""


def of_the_log(seen: Phone, route: Route) -> dict[str, Any]:
    """What the log answers, as soon as the machine lets it be read."""
    while True:
        found: dict[str, Any] = route.fetch(timeout=MANY_MS).json()
        if found["ok"]:
            return found
        seen.page.wait_for_timeout(3000)  # no more than 30 questions in a minute are let through


TAP: Final = """which => {
    const all = [...document.querySelectorAll(`button${which}`)];
    const button = all.find(each => each.checkVisibility() && !each.disabled);
    button?.click();
    return button !== undefined;
}"""
"""Press a button if it is there: what the daemon says may take it away at any moment."""


def answer_of(seen: Phone) -> Locator:
    """What was told of the last thing asked for."""
    return seen.page.locator("#answer-text")


def held(seen: Phone, devices: Devices, reason: str) -> None:
    """On hold, by two taps."""
    seen.button("hold", "main").tap()
    seen.page.locator("dialog#ask").get_by_role("button", name=reason).tap()
    devices.wait(lambda: devices.state("collector/main") == "held", "it is on hold")


def reset(seen: Phone, devices: Devices) -> None:
    """The hold ends, by two taps, as often as it takes: one counts when none came in the two seconds before it."""

    def ends() -> bool:
        if devices.state("collector/main") == "held" and seen.page.evaluate(TAP, "[data-do=reset]"):
            assert seen.page.evaluate(TAP, "[data-confirm=reset]")
            expect(answer_of(seen)).not_to_have_text(re.compile("Waiting"))
        return devices.state("collector/main") != "held"

    devices.wait(ends, "the hold ends")


def test_hand_start_begins_and_ends_by_a_tap(seen: Phone, devices: Devices) -> None:
    before = len(devices.asks("gate/sweep/hand"))
    seen.button("hand", "sweep").tap()
    seen.shows("station:sweep", "open")
    seen.shows("station:sweep", "by hand")
    seen.shows("collector:main", "running")
    expect(answer_of(seen)).to_contain_text("hand start")
    expect(seen.button("hand", "sweep")).to_have_count(0)
    seen.button("hand-end", "sweep").tap()
    seen.shows("collector:main", "off")
    seen.shows("station:sweep", "shut")
    expect(seen.button("hand", "sweep")).to_be_enabled()
    devices.wait(lambda: len(devices.asks("gate/sweep/hand")) >= before + 2, "both are asked for")
    assert [each["value"] for each in devices.asks("gate/sweep/hand")[before:]] == ["1", "0"]


def test_nothing_is_shown_as_done_that_the_daemon_has_not_said(seen: Phone, devices: Devices) -> None:
    before = len(devices.asks("gate/sweep/hand"))
    seen.page.route("**/ask", lambda route: route.fulfill(json={"ok": True, "text": "It was done.", "next": ""}))
    seen.button("hand", "sweep").tap()
    expect(answer_of(seen)).to_contain_text("It was done.")
    assert "shut" in seen.words("station:sweep")
    assert "by hand" not in seen.words("station:sweep")
    expect(seen.button("hand", "sweep")).to_be_enabled()
    assert devices.asks("gate/sweep/hand")[before:] == []


def test_two_taps_in_a_row_ask_once(seen: Phone, devices: Devices) -> None:
    before = len(devices.asks("gate/sweep/hand"))
    asked: list[Any] = []
    seen.page.on("request", lambda request: asked.append(request) if request.url.endswith("/ask") else None)
    seen.button("hand", "sweep").evaluate("button => { button.click(); button.click(); }")
    seen.shows("station:sweep", "open")
    assert len(asked) == 1
    devices.wait(lambda: len(devices.asks("gate/sweep/hand")) > before, "it is asked for")
    assert len(devices.asks("gate/sweep/hand")) == before + 1
    seen.button("hold", "main").evaluate("button => { button.click(); button.click(); }")
    jam = seen.page.locator("dialog#ask").get_by_role("button", name="Jam")
    jam.evaluate("button => { button.click(); button.click(); }")
    seen.shows("collector:main", "held")
    assert [request.post_data_json["what"] for request in asked] == ["hand", "hold"]
    reset(seen, devices)


def test_hold_and_reset_take_two_taps_each_and_say_what_the_daemon_says(seen: Phone, devices: Devices) -> None:
    before = len(devices.asks("collector/main/hold"))
    seen.button("hold", "main").tap()
    dialog = seen.page.locator("dialog#ask")
    expect(dialog).to_contain_text("A hold is not a lockout")
    dialog.get_by_role("button", name="Hold", exact=True).tap()  # without a reason
    expect(dialog).to_be_visible()
    expect(dialog.get_by_role("alert").filter(visible=True)).not_to_be_empty()
    dialog.get_by_role("button", name="Cancel").tap()
    expect(dialog).not_to_be_visible()
    assert devices.asks("collector/main/hold")[before:] == []
    seen.button("hold", "main").tap()
    dialog.get_by_role("textbox").fill("belt worn through")
    dialog.get_by_role("button", name="Hold", exact=True).tap()
    seen.shows("collector:main", "held")
    seen.shows("collector:main", "belt worn through")
    assert [each["because"] for each in devices.asks("collector/main/hold")[before:]] == ["belt worn through"]
    # What is refused says so in the daemon's words.
    seen.button("hand", "sweep").tap()
    expect(answer_of(seen)).to_contain_text("hold")
    assert devices.state("gate/sweep") == "shut"
    resets = len(devices.asks("collector/main/reset"))
    seen.button("reset", "main").tap()
    expect(dialog).to_contain_text("Do you see the collector and all its machines?")
    dialog.get_by_role("button", name="Cancel").tap()
    assert devices.asks("collector/main/reset")[resets:] == []
    reset(seen, devices)
    seen.shows("collector:main", "off")
    expect(seen.button("hold", "main")).to_be_enabled()


def test_everything_can_be_done_by_keys_alone(seen: Phone, devices: Devices) -> None:
    def goes_to(wanted: Locator) -> None:
        for _ in range(60):
            if wanted.evaluate("node => node === document.activeElement"):
                return
            seen.page.keyboard.press("Tab")
        raise AssertionError(f"the Tab key does not lead to {wanted}")

    seen.page.locator("body").evaluate("() => document.activeElement.blur()")
    goes_to(seen.button("hand", "sweep"))
    seen.page.keyboard.press("Enter")
    seen.shows("station:sweep", "open")
    # The button that ends it is where the one was that began it, and has the focus.
    expect(seen.button("hand-end", "sweep")).to_be_focused()
    seen.page.keyboard.press("Space")
    seen.shows("station:sweep", "shut")
    expect(seen.button("hand", "sweep")).to_be_focused()
    goes_to(seen.button("hold", "main"))
    seen.page.keyboard.press("Enter")
    dialog = seen.page.locator("dialog#ask")
    expect(dialog).to_be_visible()
    seen.page.keyboard.press("Escape")
    expect(dialog).not_to_be_visible()
    expect(seen.button("hold", "main")).to_be_focused()
    seen.page.keyboard.press("Enter")
    goes_to(dialog.get_by_role("textbox"))
    seen.page.keyboard.type("filter change")
    seen.page.keyboard.press("Enter")
    seen.shows("collector:main", "held")
    goes_to(seen.button("reset", "main"))
    seen.page.keyboard.press("Enter")
    expect(dialog).to_be_visible()
    goes_to(dialog.get_by_role("button", name=re.compile("I see the collector")))
    seen.page.keyboard.press("Enter")
    expect(dialog).not_to_be_visible()
    reset(seen, devices)
    goes_to(seen.page.locator("#unpair"))
    seen.page.keyboard.press("Enter")
    goes_to(seen.page.locator("#pair-open"))
    seen.page.keyboard.press("Enter")
    expect(seen.page.locator("dialog#pair").get_by_role("textbox", name="Code")).to_be_focused()


def test_day_with_many_starts_holds_on_a_narrow_screen(seen: Phone) -> None:
    def busier(route: Route) -> None:
        """The log's own answer, with a start each half hour."""
        day = of_the_log(seen, route)
        for each in day["collectors"]:
            each["spans"] = [[day["begin"] + at, day["begin"] + at + 600] for at in range(0, 20 * 3600, 1800)]
        route.fulfill(json=day)

    seen.page.route("**/day*", busier)
    seen.page.reload()
    seen.hears()
    seen.page.locator("#day").scroll_into_view_if_needed()
    expect(seen.page.locator("#day-table tbody tr").first).to_contain_text("to")
    assert not measured(seen.page).faults_of_layout()


def test_day_that_comes_late_takes_no_tap_away_and_each_is_drawn_by_its_own_hours(
    shop: RunningPage, phone: Callable[..., Phone]
) -> None:
    late: list[Route] = []
    seen = phone(shop.url)
    seen.expects(BUSY)
    seen.page.route("**/day*", lambda route: late.append(route))  # noqa: PLW0108 - it marks what it calls
    seen.hears()
    seen.page.locator("#day").scroll_into_view_if_needed()
    seen.page.wait_for_function("() => document.querySelectorAll('#bars li').length > 1")
    button, dialog = seen.page.locator("#pair-open"), seen.page.locator("dialog#pair")

    def told(missed: int) -> dict[str, Any]:
        """The log's own answer, with a cut from nine to ten and nothing else, whatever the hour is."""
        while not late:
            seen.page.wait_for_timeout(20)
        route = late.pop(0)
        day = of_the_log(seen, route)
        for each in (*day["tools"], *day["collectors"]):
            each["spans"] = [[day["begin"] + 9 * 3600, day["begin"] + 10 * 3600]]
        day["missed"] = [{"at": day["begin"] + 60, "text": "a start did not happen"} for _ in range(missed)]
        with seen.page.expect_response("**/day*") as response:
            route.fulfill(json=day)
        response.value.finished()
        return day

    def drawn() -> list[str]:
        return [
            str(each)
            for each in seen.page.locator("#bars .span").evaluate_all("all => all.map(each => each.outerHTML)")
        ]

    seen.page.evaluate("() => scrollTo({top: 1e6, behavior: 'instant'})")
    button.hover()
    seen.page.mouse.down()
    told(missed=30)
    seen.page.evaluate("() => new Promise(resolve => requestAnimationFrame(() => requestAnimationFrame(resolve)))")
    seen.page.mouse.up()
    expect(dialog).to_be_visible()
    dialog.get_by_role("button", name="Cancel").click()
    expect(seen.page.locator("#missed li")).to_have_count(30)
    first = drawn()
    seen.page.locator("#day-back").click()
    other = told(missed=0)
    expect(seen.page.locator("#day-date")).to_have_text(other["date"])
    assert first
    assert drawn() == first


def test_day_has_its_place_before_it_is_there(shop: RunningPage, phone: Callable[..., Phone]) -> None:
    late: list[Route] = []
    seen = phone(shop.url)
    seen.expects(BUSY)
    seen.page.route("**/day*", lambda route: late.append(route))  # noqa: PLW0108 - it marks what it calls
    seen.hears()
    seen.page.locator("#day").scroll_into_view_if_needed()
    seen.page.wait_for_function("() => document.querySelectorAll('#bars li').length > 1")
    height = "() => document.querySelector('#day').getBoundingClientRect().height"
    before = seen.page.evaluate(height)
    while not late:
        seen.page.wait_for_timeout(20)
    day = of_the_log(seen, late[0])
    day["missed"] = []
    late[0].fulfill(json=day)
    expect(seen.page.locator("#day-date")).not_to_be_empty()
    assert seen.page.evaluate(height) == pytest.approx(before, abs=1)


def test_why_is_answered_from_the_log(seen: Phone, devices: Devices) -> None:
    seen.button("why", "band_saw").tap()
    dialog = seen.page.locator("dialog#why")

    def is_answered() -> bool:
        expect(dialog.locator("#why-wait")).not_to_have_text(
            re.compile("Reading"), timeout=2 * MANY_MS
        )  # the page gives the log a minute
        if not dialog.get_by_role("listitem").count():  # a busy machine has not answered in time
            seen.page.evaluate(TAP, "[data-kind=tool]")
            return False
        return True

    devices.wait(is_answered, "the log answers")
    assert dialog.get_by_role("listitem").first.inner_text()
    assert not measured(seen.page).faults_of_layout()
    dialog.get_by_role("button", name="Close").tap()
    expect(dialog).not_to_be_visible()
