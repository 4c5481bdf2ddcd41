"""What the page takes from a config that changes, is broken, hangs, or would open it to the network."""

import asyncio
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from page_process import shop
from support.virtual_loop import timed

from gatehand.config import load
from gatehand.phone.settings import LOOK_EVERY, Settings
from gatehand.shell.config_file import LONGEST_LOOK

ALLOW = 'allow = ["hold"]'


class Watched:
    """A page's settings, looked at in virtual time."""

    def __init__(self, folder: Path, text: str, listen: str | None = None) -> None:
        self.file = folder / "config.toml"
        self.file.write_text(text)
        loaded = load(self.file, files=False)
        self.said: list[tuple[str, str]] = []
        self.changes = 0
        self.hangs = False
        self.held: list[Callable[[], None]] = []
        self.settings = Settings(
            *(loaded, loaded.config, listen),
            say=lambda level, text: self.said.append((level, text)),
            elsewhere=self._elsewhere,
        )
        self.settings.on_change = self._changed

    def _changed(self) -> None:
        self.changes += 1

    def _elsewhere(self, work: Callable[[], None]) -> None:
        if self.hangs:
            self.held.append(work)
        else:
            work()

    def run(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        async def both() -> None:
            watching = asyncio.ensure_future(self.settings.watch())
            await work()
            watching.cancel()
            with suppress(asyncio.CancelledError):
                await watching

        timed(both())

    async def look(self) -> None:
        await asyncio.sleep(2 * LOOK_EVERY)


def test_what_a_phone_may_ask_for_and_names_are_taken_without_a_restart(tmp_path: Path) -> None:
    watched = Watched(tmp_path, shop(1883, 8080))

    async def work() -> None:
        assert not watched.settings.page.allow
        watched.file.write_text(shop(1883, 8080, more=f'{ALLOW}\nhosts = ["shop.local"]'))
        await watched.look()
        assert watched.settings.page.allow == ("hold",)
        assert watched.settings.page.hosts == ("shop.local",)
        assert watched.settings.caution == ""
        assert watched.changes == 1
        watched.file.write_text(shop(1883, 8080))
        await watched.look()
        assert not watched.settings.page.allow
        assert list(watched.settings.names("gate")) == ["planing", "carving"]

    watched.run(work)


def test_a_mistake_is_said_once_and_keeps_the_last_good_one(tmp_path: Path) -> None:
    watched = Watched(tmp_path, shop(1883, 8080, more=ALLOW))

    async def work() -> None:
        watched.file.write_text("[page")
        await watched.look()
        said = len(watched.said)
        assert said
        for _ in range(5):
            await watched.look()
        assert watched.settings.page.allow == ("hold",)
        assert "mistakes" in watched.settings.caution
        assert len(watched.said) == said
        assert {level for level, _ in watched.said} == {"error"}
        watched.file.unlink()
        for _ in range(5):
            await watched.look()
        assert "is gone" in watched.settings.caution
        assert len(watched.said) == said + 1
        watched.file.write_text(shop(1883, 8080, more=ALLOW))
        await watched.look()
        assert watched.settings.caution == ""

    watched.run(work)


def test_a_config_with_mistakes_at_the_start_allows_nothing_until_it_is_fixed(tmp_path: Path) -> None:
    """Nothing across its tables has been checked, such as whether what is allowed is encrypted."""
    text = shop(1883, 8080, more=ALLOW)
    file = tmp_path / "config.toml"
    file.write_text(text.replace("start_amps = 2.5", "start_amps = -1"))
    from gatehand.commands import readable

    settings = Settings(*readable(file), elsewhere=lambda work: work())
    assert not settings.page.allow
    assert "mistakes" in settings.caution
    assert settings.stations is not None

    async def work() -> None:
        watching = asyncio.ensure_future(settings.watch())
        file.write_text(text)
        await asyncio.sleep(2 * LOOK_EVERY)
        assert settings.page.allow == ("hold",)
        assert settings.caution == ""
        watching.cancel()
        with suppress(asyncio.CancelledError):
            await watching

    timed(work())


@pytest.mark.parametrize("listen", ["0.0.0.0:8080", "192.168.1.20:8080", "[::]:8080"])
def test_nothing_is_allowed_where_others_could_read_along(tmp_path: Path, listen: str) -> None:
    """The config's own address is this computer's; the command line names another."""
    watched = Watched(tmp_path, shop(1883, 8080, more=ALLOW), listen)
    assert not watched.settings.page.allow
    assert watched.settings.page.listen == listen
    assert "without encryption" in watched.settings.caution

    async def work() -> None:
        watched.file.write_text(shop(1883, 8080, more='allow = ["hold", "reset"]'))
        await watched.look()
        assert not watched.settings.page.allow

    watched.run(work)


def test_an_edit_of_where_it_listens_opens_nothing_and_wants_a_restart(tmp_path: Path) -> None:
    """By the new config the page is this computer's alone; the socket is still the old one's."""
    text = shop(1883, 8080, more='hosts = ["shop.local"]')
    watched = Watched(tmp_path, text.replace("127.0.0.1:8080", "192.168.1.20:8080"))

    async def work() -> None:
        watched.file.write_text(shop(1883, 8080, more=ALLOW))
        await watched.look()
        assert not watched.settings.page.allow
        assert watched.settings.page.listen == "192.168.1.20:8080"
        assert "Restart gatehand page" in watched.settings.caution
        assert "[page] listen" in watched.settings.caution

    watched.run(work)


def test_another_broker_or_certificate_wants_a_restart_and_an_address_of_the_command_line_does_not(
    tmp_path: Path,
) -> None:
    watched = Watched(tmp_path, shop(1883, 8080), "127.0.0.1:9090")

    async def work() -> None:
        watched.file.write_text(shop(1883, 8081))
        await watched.look()
        assert watched.settings.caution == ""
        watched.file.write_text(shop(1884, 8080, more='tls = { cert_file = "a.pem", key_file = "b.pem" }'))
        await watched.look()
        assert "[page] tls, [broker]" in watched.settings.caution
        assert watched.settings.page.tls is None
        watched.file.write_text(shop(1883, 8080))
        await watched.look()
        assert watched.settings.caution == ""

    watched.run(work)


def test_a_file_that_hangs_is_told_and_looked_at_by_one_alone(tmp_path: Path) -> None:
    watched = Watched(tmp_path, shop(1883, 8080))

    async def work() -> None:
        watched.hangs = True
        await asyncio.sleep(LONGEST_LOOK + 60)
        assert len(watched.held) == 1
        assert "hangs" in watched.settings.caution
        watched.hangs = False
        watched.held[0]()
        await watched.look()
        await watched.look()
        assert watched.settings.caution == ""

    watched.run(work)


def test_without_a_config_nothing_is_allowed_and_nothing_is_watched() -> None:
    settings = Settings(None, None, "127.0.0.1:9090")
    assert not settings.page.allow
    assert settings.stations is None
    assert settings.caution == ""
