"""The page in a real browser. Without one, each test here is skipped and says so; in CI that is a failure."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from moments import Stage
from page_shop import SHOP, Broadcast, RunningPage
from phone_screen import MANY_MS, Phone
from playwright.sync_api import Browser, sync_playwright
from support.chromium import FLAGS, chromium_program
from support.mosquitto import Mosquitto


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for the tests of a file; each of its phones has a context of its own."""
    program = chromium_program()
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield found
        found.close()


@pytest.fixture
def phone(browser: Browser) -> Iterator[Callable[..., Phone]]:
    """Makes phones: `phone(url, width=360, ...)`. At the end of the test each is asked for errors."""
    made: list[Phone] = []

    def make(url: str, **more: object) -> Phone:
        found = Phone(browser, url, **more)  # type: ignore[arg-type]
        found.page.set_default_timeout(MANY_MS)
        made.append(found)
        return found

    yield make
    for each in made:
        each.close()
    for each in made:
        each.judge()


@pytest.fixture(scope="module")
def broadcast(broker: Mosquitto) -> Iterator[Broadcast]:
    """What the broker of this file retains."""
    found = Broadcast(broker.port)
    yield found
    found.close()


@pytest.fixture(scope="module")
def page_text() -> str:
    """The config, without the broker; a file may have its own."""
    return SHOP


@pytest.fixture(scope="module")
def served(broker: Mosquitto, page_text: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningPage]:
    """The page of this file's shop."""
    folder = tmp_path_factory.mktemp("page")
    (folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{page_text}")
    with RunningPage(folder) as found:
        yield found


@pytest.fixture
def stage(
    served: RunningPage, broadcast: Broadcast, phone: Callable[..., Phone], tmp_path: Path, page_text: str
) -> Stage:
    """The page of this file, and whatever shop a test wants it to show."""
    return Stage(served, broadcast, phone, tmp_path, page_text)
