"""What is remembered outlives the process; what cannot be read is said; one process for one folder."""

from pathlib import Path

import pytest
from notify_support import entry

from gatehand.notify.memory import FILE, AlreadyRunningError, Digested, Memory, MemoryFile, UnreadableMemoryError
from gatehand.notify.telling import Kept, Stage

WHOLE = Memory(
    kept=(Kept(entry(), Stage.TOLD), Kept(entry().over("then"), Stage.DUE, 2)),
    last_run=1.5,
    digest=Digested("2026-03-02", 3.0, due=True, running=True, tries=1),
)


def test_it_is_read_as_it_was_written_and_for_nobody_else(tmp_path: Path) -> None:
    MemoryFile(tmp_path / "new").keep(WHOLE)
    assert MemoryFile(tmp_path / "new").recall() == WHOLE
    assert (tmp_path / "new" / FILE).stat().st_mode & 0o777 == 0o600


def test_nothing_new_is_not_written(tmp_path: Path) -> None:
    file = MemoryFile(tmp_path)
    file.keep(WHOLE)
    (tmp_path / FILE).unlink()
    file.keep(WHOLE)
    assert not (tmp_path / FILE).exists()


def test_without_a_folder_nothing_is_remembered() -> None:
    file = MemoryFile(None)
    file.lock()
    file.keep(WHOLE)
    assert file.recall() == Memory()


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "[]", '{"version": 2}', '{"kept": [1]}', "\xff"),
        '{"digest": {"day": "yesterday", "until": 1}}',
        '{"digest": {"day": "2026-11-31", "until": 1}}',
    ],
)
def test_a_file_that_cannot_be_used_is_said(tmp_path: Path, text: str) -> None:
    assert MemoryFile(tmp_path).recall() == Memory()
    (tmp_path / FILE).write_bytes(text.encode("latin-1"))
    with pytest.raises(UnreadableMemoryError, match=r"notify\.json"):
        MemoryFile(tmp_path).recall()


def test_a_second_process_of_one_folder_is_refused(tmp_path: Path) -> None:
    MemoryFile(tmp_path).lock()
    with pytest.raises(AlreadyRunningError, match="give each its own --state"):
        MemoryFile(tmp_path).lock()
