"""`state.json` on a disk that tears, fills, forgets and refuses; a power cut at any instant."""

import os
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from gatehand.journal.disk import Disk
from gatehand.rhythm import Rhythm
from gatehand.shell.ports import HoldKept, Remembered
from gatehand.shell.state_file import FILE, StateFile, encoded, recall

HOLD = HoldKept("00000000000000aa", "main", "shop/fan/set", "filter change", "2026-11-28T08:00:00.000Z")
OTHER = HoldKept("00000000000000bb", "bench", "shop/bench/set", "asked for", "2026-11-28T09:00:00.000Z")


class PowerCut(BaseException):
    """The power goes at this operation."""


class LosingDisk(Disk):
    """A disk in memory whose names are lost in a power cut unless their folder was synced.

    `cut_at`: the number of the operation before which the power goes.
    """

    def __init__(self, cut_at: int | None = None) -> None:
        self.files: dict[Path, bytes] = {}
        self.on_medium: dict[Path, bytes] = {}
        self.cut_at = cut_at
        self.done = 0

    def _count(self) -> None:
        if self.done == self.cut_at:
            raise PowerCut
        self.done += 1

    def read(self, path: Path, most: int = -1) -> bytes:
        del most
        if path not in self.files:
            raise FileNotFoundError(path)
        return self.files[path]

    def write_file(self, path: Path, data: bytes, mode: int) -> None:
        del mode
        self.files[path] = data[: len(data) // 2]
        self._count()
        self.files[path] = data

    def rename(self, old: Path, new: Path) -> None:
        self._count()
        self.files[new] = self.files.pop(old)

    def sync_folder(self, folder: Path) -> None:
        del folder
        self._count()
        self.on_medium = dict(self.files)

    def exists(self, path: Path) -> bool:
        return path in self.files

    def remove(self, path: Path) -> None:
        self.files.pop(path, None)

    def after_the_cut(self, *, names_kept: bool) -> "LosingDisk":
        """What the next start finds: all names as they were last, or as they were at the last sync of the folder."""
        found = LosingDisk()
        found.files = dict(self.files if names_kept else self.on_medium)
        return found


def kept(store: StateFile, what: Remembered) -> str | None:
    """Keep it, and wait for the answer."""
    done = threading.Event()
    answers: list[str | None] = []

    def answer(trouble: str | None) -> None:
        answers.append(trouble)
        done.set()

    store.keep(what, answer)
    assert done.wait(10)
    return answers[0]


def test_what_is_kept_is_recalled(tmp_path: Path) -> None:
    what = Remembered(
        (HOLD, OTHER),
        ("0" * 16,),
        ("shop/estop",),
        {"main": {"suction": 12.5}},
        {"shop/saw#/amps": Rhythm(10.0, 20.5, steady=True, on_change=False, count=140)},
        ("shop/saw",),
    )
    store = StateFile(tmp_path)
    assert kept(store, what) is None
    store.close()
    assert recall(tmp_path) == what
    assert sorted(each.name for each in tmp_path.iterdir()) == [FILE]
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) & 0o007 == 0, "nobody else's business"


def test_a_first_start_remembers_nothing_and_holds_nothing(tmp_path: Path) -> None:
    assert recall(tmp_path) == Remembered()
    assert recall(tmp_path / "not" / "made" / "yet") == Remembered()
    store = StateFile(tmp_path / "not" / "made" / "yet")
    assert kept(store, Remembered((HOLD,))) is None
    store.close()


@pytest.mark.parametrize("aside", [False, True])
@pytest.mark.parametrize("names_kept", [True, False])
def test_a_power_cut_at_any_instant_leaves_the_old_state_or_the_new_one(aside: bool, names_kept: bool) -> None:
    """Between the rename and the sync of the folder too; `aside`: what was there could not be read, and is kept."""
    folder, old, new = Path("/state"), Remembered((HOLD,)), Remembered((HOLD, OTHER))
    before = b'{"version": 1, "holds": [' if aside else encoded(old)
    cuts = 0
    for cut_at in range(20):
        disk = LosingDisk(cut_at)
        disk.files = {folder / FILE: before}
        disk.on_medium = dict(disk.files)
        store = StateFile(folder, disk=disk)
        store.close()
        trouble: str | None = "the power went"
        try:
            trouble = store._write(new)  # noqa: SLF001 - in this thread, so that the cut can be seen
        except PowerCut:
            cuts += 1
        found = recall(folder, disk.after_the_cut(names_kept=names_kept))
        if trouble is None:
            assert found == new, "answered: it is on the medium"
            break
        assert found in (old, new) or (aside and found.unreadable), f"cut {cut_at}: {found}"
    assert cuts == (5 if aside else 3)


BROKEN: dict[str, tuple[Callable[[Path], object], str]] = {
    "torn": (lambda path: path.write_bytes(encoded(Remembered((HOLD,)))[:60]), "damaged"),
    "emptied by a power cut": (lambda path: path.write_bytes(b""), "empty"),
    "zeros": (lambda path: path.write_bytes(b"\0" * 400), "empty"),
    "noise": (lambda path: path.write_bytes(os.urandom(300)), "damaged"),
    "another shape": (lambda path: path.write_text('{"version": 1, "holds": [{"id": 7}], "resets": []}'), "holds"),
    "of a newer version": (lambda path: path.write_text('{"version": 2, "held": {}}'), "version 2"),
    "a folder": (lambda path: path.mkdir(), "directory"),
    "a pipe": (os.mkfifo, "empty"),
    "too large": (lambda path: path.write_bytes(b" " * 4_000_002), "larger"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_file_that_cannot_be_read_holds_says_why_and_is_kept_when_it_is_replaced(name: str, tmp_path: Path) -> None:
    spoil, why = BROKEN[name]
    path = tmp_path / FILE
    spoil(path)
    before = path.read_bytes() if path.is_file() else None
    store = StateFile(tmp_path)
    found = store.recall()
    assert found.unreadable is not None
    assert why in found.unreadable
    assert str(path) in found.unreadable
    assert kept(store, Remembered((HOLD,))) is None
    assert kept(store, Remembered((HOLD, OTHER))) is None
    store.close()
    assert recall(tmp_path) == Remembered((HOLD, OTHER))
    aside = tmp_path / f"{FILE}.unreadable-1"
    assert aside.exists()
    assert before is None or aside.read_bytes() == before
    assert sorted(each.name for each in tmp_path.iterdir()) == [FILE, aside.name]


def test_a_second_unreadable_file_does_not_replace_the_first(tmp_path: Path) -> None:
    for text in ("first", "second"):
        (tmp_path / FILE).write_text(text)
        store = StateFile(tmp_path)
        assert kept(store, Remembered((HOLD,))) is None
        store.close()
    assert [(tmp_path / f"{FILE}.unreadable-{n}").read_text() for n in (1, 2)] == ["first", "second"]


def test_a_file_without_the_right_to_read_it_holds(tmp_path: Path) -> None:
    class Refusing(Disk):
        def read(self, path: Path, most: int = -1) -> bytes:
            if path.name == FILE:
                raise PermissionError(13, "Permission denied")
            return super().read(path, most)

    (tmp_path / FILE).write_bytes(encoded(Remembered()))
    found = recall(tmp_path, Refusing())
    assert found.unreadable is not None
    assert "Permission denied" in found.unreadable


class Failing(Disk):
    """Full, or not to be written."""

    def __init__(self, error: OSError) -> None:
        self.error: OSError | None = error

    def write_file(self, path: Path, data: bytes, mode: int) -> None:
        if self.error is not None:
            super().write_file(path, data[:10], mode)
            raise self.error
        super().write_file(path, data, mode)


@pytest.mark.parametrize(
    "error", [OSError(28, "No space left on device"), OSError(30, "Read-only file system"), OSError(5, "I/O error")]
)
def test_what_cannot_be_written_is_told_and_what_was_there_stays(error: OSError, tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(encoded(Remembered((HOLD,))))
    disk = Failing(error)
    store = StateFile(tmp_path, disk=disk)
    trouble = kept(store, Remembered((OTHER,)))
    assert trouble is not None
    assert str(error.strerror) in trouble
    assert str(tmp_path / FILE) in trouble
    assert recall(tmp_path) == Remembered((HOLD,))
    disk.error = None
    assert kept(store, Remembered((OTHER,))) is None
    store.close()
    assert recall(tmp_path) == Remembered((OTHER,))


def test_the_state_can_be_written_when_the_folder_is_a_file() -> None:
    """Never an exception: an answer, and the alarm that follows from it."""
    store = StateFile(Path("/dev/null/state"))
    assert kept(store, Remembered((HOLD,))) is not None
    store.close()


def test_a_disk_that_hangs_keeps_nobody(tmp_path: Path) -> None:
    go = threading.Event()

    class Hanging(Disk):
        def write_file(self, path: Path, data: bytes, mode: int) -> None:
            go.wait(20)
            super().write_file(path, data, mode)

    store = StateFile(tmp_path, disk=Hanging())
    answers: list[str | None] = []
    for _ in range(100):
        store.keep(Remembered((HOLD,)), answers.append)
    store.keep(Remembered((OTHER,)), answers.append)
    store.close(within=0.05)
    assert answers == []
    go.set()
    store.close(10)
    assert answers == [None] * 101
    assert recall(tmp_path) == Remembered((OTHER,)), "the latest counts"


def test_ids_are_random(tmp_path: Path) -> None:
    store = StateFile(tmp_path)
    ids = {store.new_id() for _ in range(1000)}
    store.close()
    assert len(ids) == 1000
    assert all(len(each) == 16 and int(each, 16) >= 0 for each in ids)


def test_a_person_can_read_the_file() -> None:
    text = encoded(Remembered((HOLD,))).decode()
    assert '"why": "filter change"' in text
    assert text.count("\n") > 10
    assert msgspec.json.decode(text)["version"] == 1


def test_a_job_that_fails_keeps_no_hold_from_being_written(tmp_path: Path) -> None:
    def fails() -> None:
        raise ZeroDivisionError

    store = StateFile(tmp_path)
    store.also(fails)
    assert kept(store, Remembered((HOLD,))) is None
    store.close()
