"""The page for people who see little, hear it read, or use no finger: checked by rules, and by what those cannot know.

axe-core 4.12.1 (Mozilla Public License 2.0) is in the package axe-playwright-python 0.1.8 (MIT); of its rules those
count that check a success criterion of WCAG 2.0, 2.1 or 2.2 at level A or AA.
"""

import re
from collections.abc import Callable
from typing import Final

import pytest
from axe_playwright_python.sync_playwright import Axe
from moments import MOMENTS, Stage
from page_boxes import measured
from page_shop import SHOP
from phone_screen import Phone
from playwright.sync_api import Locator, expect
from support.page_sample import sampled

pytestmark = pytest.mark.broker
RULES: Final = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
SENTENCE: Final = re.compile(r"[A-Z0-9].*[.!?]", re.DOTALL)


FOCUS: Final = """() => {
    const at = document.activeElement;
    if (at === document.body) return null;
    const style = getComputedStyle(at), box = at.getBoundingClientRect();
    const points = [[.5, .5], [.1, .1], [.9, .1], [.1, .9], [.9, .9]].map(
        ([x, y]) => document.elementFromPoint(box.left + x * box.width, box.top + y * box.height));
    return {name: at.textContent.trim(), outline: style.outlineStyle === "none" ? 0 : parseFloat(style.outlineWidth),
        seen: points.some(each => each !== null && at.contains(each))};
}"""


@pytest.fixture(scope="module")
def page_text() -> str:
    return f'{SHOP}\n[page]\nallow = ["hand", "hold", "reset"]\n'


def assert_accessible(seen: Phone, when: str) -> None:
    """No rule is broken, and the rules were tried on something."""
    found = Axe().run(seen.page, options=RULES)
    assert found.response["passes"]
    broken = [(rule["id"], [node["html"][:200] for node in rule["nodes"]]) for rule in found.response["violations"]]
    assert not broken, when


def test_no_rule_is_broken_at_any_moment(stage: Stage) -> None:
    """Contrast in both schemes is measured with the layout."""
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.pair(stage.served.code())
    for name in sampled(MOMENTS, 0, always=("hand start", "fault")):  # every kind of thing that a part can have
        shop = stage.at(MOMENTS[name])
        for what, word in MOMENTS[name].states.items():
            seen.shows(shop.part_of(what), word.replace("_", "-"))
        assert_accessible(seen, name)


def test_no_rule_is_broken_in_a_dialog_or_when_all_is_lost(stage: Stage) -> None:
    stage.at(MOMENTS["held by hand"])
    seen = stage.looks()
    seen.page.locator("#pair-open").press("Enter")
    _assert_dialog_holds(seen, "pair")
    seen.pair_in_dialog(stage.served.code())
    seen.shows("collector:main", "held")
    seen.button("reset", "main").press("Enter")
    _assert_dialog_holds(seen, "reset")
    seen.page.keyboard.press("Escape")
    stage.at(MOMENTS["rest"])
    seen.button("hold", "main").press("Enter")
    _assert_dialog_holds(seen, "hold")
    seen.page.keyboard.press("Escape")
    stage.broadcast.say("gatehand/online", b"0")
    try:
        expect(seen.page.locator("html")).to_have_attribute("data-reached", "lost")
        assert_accessible(seen, "lost")
        seen.page.locator("#answer-close").press("Enter")
        assert not measured(seen.page).faults_of_contrast()
        assert not measured(seen.page).faults_of_layout()
    finally:
        stage.broadcast.say("gatehand/online", b"1")


def _assert_dialog_holds(seen: Phone, when: str) -> None:
    expect(seen.page.locator("dialog:modal")).to_be_visible()
    assert_accessible(seen, when)
    found = measured(seen.page)
    assert found.texts
    assert not found.faults_of_layout(), when
    assert not found.faults_of_contrast(), when


def test_what_is_read_aloud_of_a_part_is_whole_sentences(stage: Stage) -> None:
    stage.at(MOMENTS["fault"])
    seen = stage.looks()
    seen.shows("station:band_saw", "fault")
    for name in seen.stations():
        spoken = _read_aloud(seen.station(name))
        assert SENTENCE.fullmatch(spoken), spoken
        assert name.replace("_", " ") in spoken.lower()
    assert SENTENCE.fullmatch(_read_aloud(seen.part("collector:main")))
    assert "Alarm:" in seen.page.locator("#announce").inner_text()


def _read_aloud(part: Locator) -> str:
    """What a screen reader says of a tile, its heading and its buttons aside."""
    lines = part.aria_snapshot().splitlines()
    said = [line.partition("paragraph:")[2].strip().strip('"') for line in lines if "- paragraph:" in line]
    assert said, lines
    return " ".join(said)


def test_every_button_has_a_name_of_its_own(stage: Stage) -> None:
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.pair(stage.served.code())
    expect(seen.button("hand", "sweep")).to_be_enabled()
    tree = seen.page.locator("body").aria_snapshot()
    names = re.findall(r'- (?:button|link) "([^"]+)"', tree)
    assert len(names) >= 6
    assert len(names) == len(set(names)), "two buttons are read alike"
    assert not re.search(r"- (?:button|link)(?::| \[|$)", tree, re.MULTILINE), "a button has no name"


def test_focus_stays_while_parts_change(stage: Stage) -> None:
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.pair(stage.served.code())
    for button in (seen.button("hold", "main"), seen.button("hand", "sweep")):
        button.focus()
        for moment in ("fault", "rest"):
            shop = stage.at(MOMENTS[moment])
            for what, word in MOMENTS[moment].states.items():
                seen.shows(shop.part_of(what), word.replace("_", "-"))
            expect(button).to_be_focused()


def test_focus_can_be_seen_and_nothing_that_sticks_covers_it(stage: Stage) -> None:
    """WCAG 2.2, 2.4.11 (AA): not hidden by what the page puts over it; 2.4.13 (AAA): an outline of 2 CSS pixels."""
    stage.at(MOMENTS["fault"])
    seen = stage.looks()
    seen.page.emulate_media(reduced_motion="reduce")
    seen.pair(stage.served.code())
    expect(seen.button("hand", "sweep")).to_be_enabled()
    expect(seen.page.locator("#answer")).to_be_visible()
    seen.page.evaluate("() => { document.activeElement.blur(); scrollTo(0, 0); }")
    stops = []
    for keys in ("Tab", "Shift+Tab"):
        for _ in range(40):
            seen.page.keyboard.press(keys)
            found = seen.page.evaluate(FOCUS)
            if found is None:
                break
            stops.append(found["name"])
            assert found["outline"] >= 2, found
            assert found["seen"], f"{found['name']} has the focus and cannot be seen"
    assert len(stops) >= 12, stops


def test_page_can_be_read_without_colours_and_without_motion(stage: Stage, phone: Callable[..., Phone]) -> None:
    stage.at(MOMENTS["fault"])
    seen = phone(stage.served.url)
    seen.page.emulate_media(forced_colors="active", reduced_motion="reduce")
    seen.shows("station:band_saw", "fault")
    assert not measured(seen.page).faults_of_layout()
    running = seen.page.evaluate("() => document.getAnimations().filter(each => each.playState === 'running').length")
    assert running == 0
