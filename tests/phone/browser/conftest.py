"""The page in a real browser. Without one, each test here is skipped and says so; in CI that is a failure."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pytest
from moments import Stage
from page_shop import SHOP, Broadcast, RunningPage
from phone_screen import MANY_MS, Phone
from playwright.sync_api import Browser, sync_playwright
from support.mosquitto import Mosquitto

FLAGS: Final = (
    "--no-sandbox",  # CI's user is root, whom chromium refuses without it
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP stranger.example 127.0.0.1",  # a name that was made to lead here
)


def chromium_program() -> str:
    """Path of the browser; without one, skips the test, or fails it where CI is set."""
    found = shutil.which("chromium")
    if found is None:
        message = "needs the program chromium: apt-get install chromium fonts-dejavu-core"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found


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
