"""The page holds on every screen: nothing too wide, cut off, written over, too small to tap, too faint to read.

The boxes of all that is seen are measured (`page_boxes`), each shop at each width; the letters at twice their size too,
as a phone's owner may have set them (WCAG 2.2, 1.4.4: text can be resized to 200 % without loss).
"""

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Final

import pytest
from moments import MOMENTS, Moment, Stage
from page_boxes import contrast, measured
from page_picture import BOXES
from page_shop import Broadcast, RunningPage, long_shop
from phone_screen import Phone
from support.mosquitto import Mosquitto
from support.page_sample import sampled

pytestmark = pytest.mark.broker
WIDTHS: Final = (360, 414, 768, 1200)
LONG_NAMES: Final = ["drum_sander_of_the_second_workshop_behind_the_courtyard_gate_no1", "s" * 64, "W" * 64]
"""Names of 64 letters, two of them without a place at which to break."""
THIRTY: Final = [f"machine_{number}" for number in range(1, 31)]
TWICE: Final = """() => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync("html{font-size:200%}");
    document.adoptedStyleSheets = [sheet];
}"""
SIZE: Final = "() => parseFloat(getComputedStyle(document.querySelector('[data-part]')).fontSize)"


@pytest.fixture(scope="module")
def long_page(
    broker: Mosquitto, broadcast: Broadcast, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[Stage, list[str]], Stage]]:
    """Another shop on the same broker: its page is a process of its own, which reads the config anew."""
    folder = tmp_path_factory.mktemp("long")
    pages: list[RunningPage] = []

    def make(stage: Stage, names: list[str]) -> Stage:
        text = long_shop(names)
        for each in pages:
            each.kill()
        (folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{text}")
        pages.append(RunningPage(folder).start())
        return Stage(pages[-1], broadcast, stage.phone, stage.folder, text)

    yield make
    for each in pages:
        each.kill()


def assert_holds(seen: Phone, widths: Sequence[int] = WIDTHS) -> None:
    """Nothing is wrong with what it shows, at each width."""
    for width in widths:
        seen.page.set_viewport_size({"width": width, "height": 740})
        found = measured(seen.page)
        assert found.found["width"] == width
        assert found.texts
        assert not found.faults_of_layout(), width


def test_contrast_is_that_of_the_definition() -> None:
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    # The lightest grey on white that passes, as published with WCAG 2's techniques: from memory.
    assert contrast((0x76, 0x76, 0x76), (255, 255, 255)) == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("twice", [False, True], ids=["as it is", "text at 200 %"])
def test_shop_holds_at_every_width(stage: Stage, twice: bool) -> None:
    stage.at(MOMENTS["fault"])
    seen = stage.looks()
    seen.shows("station:band_saw", "fault")
    if twice:
        before = seen.page.evaluate(SIZE)
        seen.page.evaluate(TWICE)
        assert seen.page.evaluate(SIZE) == pytest.approx(2 * before), "letters do not follow their owner's size"
    assert_holds(seen)


@pytest.mark.parametrize("names", [THIRTY, LONG_NAMES], ids=["thirty stations", "names of 64 letters"])
def test_large_shop_holds_at_every_width(
    stage: Stage, names: list[str], long_page: Callable[[Stage, list[str]], Stage]
) -> None:
    large = long_page(stage, names)
    name = names[0]
    gate = Moment(lambda shop: shop.cut(name, 9), {})
    large.at(gate)
    seen = large.looks()
    for each in names:
        seen.shows(f"station:{each}", "shut" if each != name else "open")
    assert_holds(seen, sampled(WIDTHS, 1, always=WIDTHS[:1]))
    seen.page.evaluate(TWICE)
    assert_holds(seen, WIDTHS[:1])


WORDS: Final = (
    "Der Schieber der Kapp- und Gehrungssäge läßt sich nicht öffnen: prüfen Sie den Motor",
    "Zażółć gęślą jaźń, zasuwa pilarki taśmowej nie otwiera się",
    "帯鋸のゲートが開きません。モーターを確認してください",
    "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft",
)


def test_letters_of_other_languages_and_words_without_a_break_hold(stage: Stage) -> None:
    shop = stage.shop()
    MOMENTS["fault"].come(shop)
    shop.say("gatehand/collector/main/hold", '{"because": "x", "by": "y"}')
    shop.run(5)
    every = " ".join(WORDS)
    shop.reworded(lambda key, text: every if key in {"because", "next", "held"} else text).show(stage.broadcast)
    seen = stage.looks()
    for each in WORDS:
        seen.shows("collector:main", each)
        seen.shows("alarms", each)
    assert_holds(seen)
    assert not measured(seen.page).faults_of_contrast()


def test_boxes_are_those_of_the_reference_picture(stage: Stage) -> None:
    """Same parts, same order, same left and right edges; heights within a quarter, since letters differ by release."""
    stage.at(MOMENTS["fault"])
    seen = stage.looks()
    seen.shows("station:band_saw", "fault")
    wanted = json.loads(BOXES.read_text())
    found = dict(measured(seen.page).parts)
    assert list(found) == list(wanted), "python tests/phone/browser/page_picture.py --write; look at the picture"
    for key, (left, top, right, bottom) in wanted.items():
        box = found[key]
        if key in {"shop", "events"}:  # as high as their texts, which hang on what the page has heard
            continue
        assert (box[0], box[2]) == pytest.approx((left, right), abs=3), key
        assert box[3] - box[1] == pytest.approx(bottom - top, rel=0.25, abs=3), key
