"""A phone is paired with a code of the owner's, and until then, or without the config's leave, it only looks."""

import json
import re
from collections.abc import Callable, Iterator
from typing import Final

import pytest
from moments import MOMENTS, Stage
from page_shop import SHOP, RunningPage
from phone_screen import Phone
from playwright.sync_api import expect
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker
ALLOWED: Final = '\n[page]\nallow = ["hand", "hold", "reset"]\n'


@pytest.fixture(scope="module")
def page_text() -> str:
    return SHOP + ALLOWED


@pytest.fixture(scope="module")
def others(broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], RunningPage]]:
    """Pages with a `[page]` of their own."""
    made: list[RunningPage] = []

    def make(table: str) -> RunningPage:
        folder = tmp_path_factory.mktemp("other")
        (folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{SHOP}{table}")
        made.append(RunningPage(folder).start())
        return made[-1]

    yield make
    for each in made:
        each.kill()


def tries(seen: Phone, code: str) -> None:
    """Type a code, and send it off."""
    dialog = seen.page.locator("dialog#pair")
    if not dialog.is_visible():
        seen.page.get_by_role("button", name="Pair this phone").press("Enter")
    dialog.get_by_role("textbox", name="Code").fill(code)
    dialog.get_by_role("button", name="Pair", exact=True).click()


def is_refused(seen: Phone, words: str) -> None:
    """The dialog stays, and says why, to a screen reader too; nothing can be asked for."""
    expect(seen.page.locator("dialog#pair").get_by_role("alert")).to_contain_text(words)
    expect(seen.page.locator("dialog#pair")).to_be_visible()
    expect(seen.hands).to_have_count(0)


def test_code_pairs_one_phone_once(stage: Stage) -> None:
    stage.at(MOMENTS["rest"])
    first, second = stage.looks(), stage.looks()
    for each in (first, second):
        each.expects("403")
    code = stage.served.code()
    wrong = ("3" if code[0] == "2" else "2") + code[1:]
    tries(first, wrong)
    is_refused(first, "That is not the code")
    tries(first, code.lower().replace("-", " "))
    expect(first.page.locator("dialog#pair")).not_to_be_visible()
    expect(first.button("hand", "sweep")).to_be_enabled()
    tries(second, code)
    is_refused(second, "There is no code to type now")


def test_old_code_pairs_nobody(stage: Stage) -> None:
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.expects("403")
    code = stage.served.code()
    kept = stage.served.folder / "page.json"
    found = json.loads(kept.read_text())
    found["code"]["made"] -= 601  # it is valid for ten minutes
    kept.write_text(json.dumps(found))
    tries(seen, code)
    is_refused(seen, "There is no code to type now")


def test_paired_phone_stays_so_until_it_is_forgotten(stage: Stage, others: Callable[[str], RunningPage]) -> None:
    stage.at(MOMENTS["rest"])
    served = others(ALLOWED)
    seen = stage.phone(served.url).hears()
    seen.expects("ERR_")
    seen.pair(served.code())
    expect(seen.button("hand", "sweep")).to_be_enabled()
    served.kill()
    served.start()
    seen.page.reload()
    expect(seen.button("hand", "sweep")).to_be_enabled()
    seen.page.get_by_role("button", name="Unpair this phone").press("Enter")
    expect(seen.hands).to_have_count(0)
    expect(seen.page.get_by_role("button", name="Pair this phone")).to_be_visible()
    seen.page.reload()
    seen.hears()
    expect(seen.page.get_by_role("button", name="Pair this phone")).to_be_visible()
    assert seen.context.cookies() == []


def test_phone_has_the_buttons_that_the_config_allows_and_hears_of_another_without_a_restart(
    stage: Stage, others: Callable[[str], RunningPage]
) -> None:
    stage.at(MOMENTS["rest"])
    served = others("")
    config = served.folder / "config.toml"
    nothing = config.read_text()
    seen = stage.phone(served.url).hears()
    expect(seen.hands).to_have_count(0)
    seen.pair(served.code())
    expect(seen.page.get_by_text(re.compile("No phone may ask for anything yet"))).to_be_visible()
    expect(seen.hands).to_have_count(0)
    config.write_text(nothing + '\n[page]\nallow = ["hold"]\n')
    expect(seen.button("hold", "main")).to_be_enabled()
    expect(seen.button("hand")).to_have_count(0)
    stage.at(MOMENTS["held by hand"])
    seen.shows("collector:main", "held")
    expect(seen.hands).to_have_count(0)  # a reset is not allowed
    config.write_text(nothing + '\n[page]\nallow = ["reset"]\n')
    expect(seen.button("reset", "main")).to_be_enabled()
    config.write_text(nothing)
    expect(seen.hands).to_have_count(0)
