"""What is shown is of now, or the page says that it is not: whatever is killed, frozen or asleep."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from page_boxes import measured
from page_shop import Devices, RunningPage, frozen
from phone_screen import Phone
from playwright.sync_api import StorageState, expect
from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto
from support.quick_shop import quick_shop

pytestmark = pytest.mark.broker
BENCH = """
[gate.sweep]
command = { topic = "shop/gate/sweep/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/sweep/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/sweep/button", pressed = "1" }
travel = 5

[page]
allow = ["hand", "hold", "reset"]
"""


CURRENT = """() => {
    const stateOf = key => document.querySelector(`[data-part="${key}"]`)?.dataset.state;
    const buttons = [...document.querySelectorAll("button:is([data-do=hand], [data-do=hand-end], [data-do=hold])")];
    const shown = buttons.filter(each => each.checkVisibility());
    return document.documentElement.dataset.reached === "well" && stateOf("collector:main") === "running"
        && stateOf("station:sweep") === "open" && shown.length > 1 && shown.every(each => !each.disabled);
}"""


class Shop:
    """A broker, the real daemon with its fan on, the page and a phone that is paired and sees it."""

    def __init__(self, broker: Mosquitto, folder: Path) -> None:
        self.broker = broker
        self.folder = folder
        (folder / "config.toml").write_text(quick_shop(broker.port, BENCH, travel=5))
        self.devices = Devices(broker.port)
        self.page = RunningPage(folder).start()
        self.daemon = RunningDaemon(folder)
        self.paired: StorageState | None = None
        """What a phone keeps that is paired."""
        self._next_at = 0.0

    def nudge(self) -> None:
        """Ask for air at the sweep, where the daemon says that its fan is off: what it forgot, it is told again."""
        if self.devices.state("collector/main") == "off" and time.monotonic() >= self._next_at:
            self._next_at = time.monotonic() + 1
            self.devices.say("gatehand/gate/sweep/hand", "1")

    def close(self) -> None:
        """End all of it."""
        self.daemon.kill()
        self.page.kill()
        self.devices.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with Mosquitto() as broker:
        found = Shop(broker, tmp_path_factory.mktemp("shop"))
        yield found
        found.close()


@pytest.fixture
def seen(shop: Shop, phone: Callable[..., Phone]) -> Phone:
    """A paired phone that sees the fan turn."""
    found = phone(shop.page.url, clock=True, state=shop.paired)
    if shop.paired is None:
        found.pair(shop.page.code())
        shop.paired = found.context.storage_state()
    comes_back(shop, found)
    return found


def comes_back(shop: Shop, seen: Phone) -> None:
    """All is shown as of now, with its colours and buttons."""

    def is_current() -> bool:
        shop.nudge()
        return bool(seen.page.evaluate(CURRENT))

    wait_until(is_current, what="all is current")
    expect(seen.reached).to_contain_text("is running")
    seen.shows("collector:main", "running")
    seen.shows("station:sweep", "open")
    # On a busy machine a beat may be late once more, between one look and the next.
    wait_until(lambda: measured(seen.page, tones=True).good, what="it has the colour of what is well")


def assert_lost(seen: Phone) -> None:
    """It says so; nothing looks well any more, and nothing can be asked for."""
    expect(seen.reached).to_contain_text("LOST")
    expect(seen.page.locator("#asof")).to_contain_text("Everything below is from that time.")
    wait_until(lambda: not measured(seen.page, tones=True).good, what="nothing looks well")
    assert seen.hands.count()
    for button in seen.hands.all():
        expect(button).to_be_disabled()


def test_daemon_killed_and_started_again(shop: Shop, seen: Phone) -> None:
    shop.daemon.kill()
    assert_lost(seen)
    shop.daemon = RunningDaemon(shop.folder)
    comes_back(shop, seen)


def test_daemon_frozen_and_thawed(shop: Shop, seen: Phone) -> None:
    with frozen(shop.daemon.pid):
        assert_lost(seen)
    comes_back(shop, seen)


def test_broker_killed_and_revived(shop: Shop, seen: Phone) -> None:
    shop.broker.kill9()
    assert_lost(seen)
    shop.broker.revive()
    comes_back(shop, seen)


def test_broker_frozen_and_thawed(shop: Shop, seen: Phone) -> None:
    shop.broker.sigstop()
    try:
        assert_lost(seen)
    finally:
        shop.broker.sigcont()
    comes_back(shop, seen)


def test_page_killed_and_started_again(shop: Shop, seen: Phone) -> None:
    seen.expects("ERR_")
    shop.page.kill()
    seen.pass_seconds(3)
    assert_lost(seen)
    shop.page.start()
    comes_back(shop, seen)


def test_page_frozen_is_lost_within_three_seconds_of_the_phone_and_comes_back(shop: Shop, seen: Phone) -> None:
    seen.expects("ERR_")
    seen.page.clock.pause_at(time.time() + 1)
    with frozen(shop.page.pid):
        seen.page.clock.run_for(3000)
        assert_lost(seen)
    seen.page.clock.resume()
    comes_back(shop, seen)


def test_phone_that_has_slept_shows_lost_before_it_shows_anything(shop: Shop, seen: Phone) -> None:
    seen.expects("ERR_")
    with frozen(shop.page.pid):  # nothing new can have come yet
        seen.page.clock.fast_forward(3_600_000)  # each timer fires once at most, as after a sleep
        seen.page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
        assert_lost(seen)
    comes_back(shop, seen)
