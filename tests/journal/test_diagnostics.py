"""The daemon's own diagnostics: plain lines, readable by the service's journal, and light to load."""

import subprocess
import sys

PROGRAM = """
import sys
from gatehand.shell.service import set_up
log = set_up("info", sys.stdout)
log.debug("unseen")
log.info("connected", host="127.0.0.1", why="no route, really")
try:
    1 / 0
except ZeroDivisionError:
    log.exception("odd")
print("rich" in sys.modules, "rich.console" in sys.modules)
import rich
print("rich is still there for who wants it")
"""


def said(**environment: str) -> list[str]:
    path = [entry for entry in sys.path if entry]
    found = subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-c", PROGRAM],
        check=True,
        capture_output=True,
        text=True,
        env={"PYTHONPATH": ":".join(path), **environment},
    )
    return found.stdout.splitlines()


def test_on_a_terminal_a_line_has_its_time_and_level() -> None:
    lines = said()
    assert lines[0][20:] == "info    connected host=127.0.0.1 why='no route, really'"
    assert lines[1][20:] == "error   odd"
    assert "ZeroDivisionError: division by zero" in lines


def test_under_systemd_a_line_begins_with_its_priority() -> None:
    lines = said(JOURNAL_STREAM="8:1")
    assert lines[0].startswith("<6>connected ")
    assert lines[1] == "<3>odd"


def test_rich_is_not_loaded_for_it_and_not_lost_by_it() -> None:
    assert said()[-2:] == ["False False", "rich is still there for who wants it"]
