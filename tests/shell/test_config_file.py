"""The config file as it may be found while the shop is worked: gone, a folder, a pipe, huge, on a mount that hangs."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from shell_support import SHOP, World

from gatehand.config import load
from gatehand.shell.config_file import LONGEST_LOOK, ConfigFile, Seen
from gatehand.shell.config_reload import Reloader

HUGE = 1_000_000_000
ALARM = "alarm/daemon.main.config"


class Watched:
    """A world whose config file is looked at every two seconds, by somebody whom the test can hold up."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "config.toml"
        self.file.write_text(SHOP)
        self.world = World(SHOP).rested()
        self.looks: list[Callable[[], None]] = []
        self.hangs = False
        self.reloader = Reloader(
            self.world.engine,
            load(self.file),
            self.world.transport,
            lambda _level, said, _facts=None: self.world.said.append(said),
            elsewhere=self.elsewhere,
        )
        self.run(4)

    def elsewhere(self, work: Callable[[], None]) -> None:
        self.looks.append(work)
        if not self.hangs:
            work()

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 2)):
            self.world.run(2)
            self.world.engine.beat()
            self.reloader.look()

    @property
    def alarm(self) -> str:
        """What the alarm says; empty: it does not stand."""
        shown: dict[str, str] = self.world.shown(ALARM) or {}
        return shown.get("because", "")

    def rejections(self) -> int:
        return len(self.world.events("config_rejected"))


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    return Watched(tmp_path)


def replaced_by_a_folder(file: Path) -> None:
    file.unlink()
    file.mkdir()


def replaced_by_a_pipe(file: Path) -> None:
    file.unlink()
    os.mkfifo(file)


def replaced_by_a_device(file: Path) -> None:
    file.unlink()
    file.symlink_to("/dev/zero")


def grown_huge(file: Path) -> None:
    """Sparse: it takes no room on the disk, and would take a gigabyte of memory."""
    os.truncate(file, HUGE)


TROUBLES = {
    replaced_by_a_folder: "is a folder",
    replaced_by_a_pipe: "is a pipe",
    replaced_by_a_device: "is a device",
    grown_huge: "is larger than 1 MB",
    Path.unlink: "is gone",
}


def put_back(file: Path) -> None:
    if file.is_dir():
        file.rmdir()
    file.unlink(missing_ok=True)
    file.write_text(SHOP)


@pytest.mark.parametrize("happens", TROUBLES, ids=lambda happens: happens.__name__)
def test_a_config_that_cannot_be_read_any_more_raises_the_alarm_until_it_is_back(
    watched: Watched, happens: Callable[[Path], None]
) -> None:
    before = watched.world.engine.active
    happens(watched.file)
    watched.run(60)
    assert TROUBLES[happens] in watched.alarm
    assert str(watched.file) in watched.alarm
    assert watched.world.shown("config")["ok"] is False
    assert watched.rejections() == 1, "told once, however long it stays so"
    assert watched.world.engine.active is before, "the last good one is in force"
    put_back(watched.file)
    watched.run(4)
    assert not watched.alarm
    assert watched.world.shown("config")["ok"] is True
    assert watched.world.engine.active is before, "nothing has changed"


def test_a_file_that_an_editor_is_about_to_replace_is_not_yet_gone(watched: Watched) -> None:
    watched.file.unlink()
    watched.run(2)
    assert not watched.alarm
    watched.file.write_text(SHOP.replace("run_on = 10", "run_on = 12"))
    watched.run(2)
    assert not watched.alarm
    assert watched.world.shown("tool/band_saw")["run_on"] == 12


def test_who_asks_for_a_file_that_is_gone_is_answered_at_once(watched: Watched) -> None:
    watched.file.unlink()
    watched.world.say("gatehand/reload", "me-17")
    watched.run(2)
    outcome = watched.world.shown("config")
    assert (outcome["asked"], outcome["ok"]) == (["me-17"], False)
    assert "is gone" in outcome["problems"][0]["message"]
    watched.world.say("gatehand/reload", "me-18")
    watched.run(2)
    assert watched.world.shown("config")["asked"] == ["me-18"], "and so is the next one"


def test_a_bad_config_that_comes_back_is_rejected_again(watched: Watched) -> None:
    watched.file.write_text("[[[")
    watched.run(2)
    assert "not taken" in watched.alarm
    watched.file.unlink()
    watched.run(20)
    assert "is gone" in watched.alarm
    watched.file.write_text("[[[")
    watched.run(20)
    assert "not taken" in watched.alarm


def test_a_config_that_waits_is_not_taken_while_its_file_is_gone(watched: Watched) -> None:
    world = watched.world
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.say("shop/fan/state", "1")
    watched.file.write_text(SHOP.replace('topic = "shop/gate/band_saw/set"', 'topic = "shop/gate/saw/set"'))
    watched.run(4)
    assert world.shown("config")["waits_for"]
    before = world.engine.active
    watched.file.unlink()
    world.say("shop/estop", "1")
    world.say("shop/fan/state", "0")
    watched.run(20)
    assert world.engine.active is before
    assert "is gone" in watched.alarm


def test_a_mount_that_hangs_leaves_the_shop_working_with_an_alarm_and_one_reader(watched: Watched) -> None:
    watched.hangs = True
    started = len(watched.looks)
    watched.run(LONGEST_LOOK)
    assert not watched.alarm, "a busy machine may take its time"
    watched.run(600)
    assert len(watched.looks) == started + 1, "a second one would hang as well"
    assert "hangs" in watched.alarm
    assert watched.rejections() == 1
    watched.world.say("shop/band_saw/amps", "0.05")  # it had been silent
    watched.world.run(1)
    since = watched.world.clocks.now
    watched.world.say("shop/band_saw/amps", "5")
    assert ("shop/gate/band_saw/set", "open") in watched.world.commands(since)


def test_when_the_mount_is_back_the_alarm_ends_and_edits_are_taken_again(watched: Watched) -> None:
    watched.hangs = True
    watched.run(30)
    assert watched.alarm
    watched.hangs = False
    watched.looks[-1]()
    watched.run(2)
    assert not watched.alarm
    assert watched.world.shown("config")["ok"] is True
    watched.file.write_text(SHOP.replace("run_on = 10", "run_on = 12"))
    watched.run(2)
    assert watched.world.shown("tool/band_saw")["run_on"] == 12


def test_who_asks_while_the_mount_hangs_is_told_so(watched: Watched) -> None:
    watched.hangs = True
    watched.run(2)
    watched.world.say("gatehand/reload", "me-19")
    watched.run(LONGEST_LOOK + 2)
    outcome = watched.world.shown("config")
    assert (outcome["asked"], outcome["ok"]) == (["me-19"], False)
    assert "hangs" in outcome["problems"][0]["message"]


def test_a_mistake_made_while_looking_is_told_in_the_control_loop_and_the_next_look_may_do_better(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(ConfigFile, "look", lambda *_args, **_kwargs: 1 / 0)
        watched.world.run(2)
        with pytest.raises(ZeroDivisionError):
            watched.reloader.look()
    watched.file.write_text(SHOP.replace("run_on = 10", "run_on = 12"))
    watched.run(2)
    assert watched.world.shown("tool/band_saw")["run_on"] == 12


def test_a_file_saved_without_a_change_is_no_change(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text(SHOP)
    watch = ConfigFile(file, SHOP)
    assert watch.look() == Seen()
    file.write_text(SHOP)
    assert watch.look() == Seen()
    file.write_text(SHOP + "\n")
    seen = watch.look()
    assert seen.loaded is not None
    assert seen.loaded.text == SHOP + "\n"
    assert watch.look() == Seen()
    file.unlink()
    assert watch.look() == Seen(absent=True), "an editor is between removing and replacing it"
    file.write_text(SHOP)
    assert watch.look().loaded is not None
