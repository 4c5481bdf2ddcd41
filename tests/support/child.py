"""`gatehand` as a child process: one command to its end, or the daemon until the test is over."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

import gatehand
import gatehand_rules

T = TypeVar("T")


def environment(**more: str) -> dict[str, str]:
    """The environment in which a child process finds the sources that this test runs from."""
    roots = {str(Path(module.__path__[0]).parent) for module in (gatehand, gatehand_rules)}
    path = os.pathsep.join([*roots, os.environ.get("PYTHONPATH", "")])
    return {**os.environ, "PYTHONPATH": path, **more}


def gatehand_does(*words: str, seconds: float = 60.0) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=seconds,
        env=environment(),
    )


def wait_until(true: Callable[[], T], seconds: float = 60.0, what: str = "") -> T:
    """Wait until `true()` gives something; fails after `seconds`, by default when it will surely not come any more."""
    end = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < end, f"not within {seconds:g} s: {what or true}"
        time.sleep(0.005)
    return found


class RunningDaemon:
    """`gatehand run` with the config `config.toml` of a folder. A context manager: stopped at exit."""

    def __init__(self, folder: Path) -> None:
        self._errors = folder / "stderr"
        with self._errors.open("ab") as stderr:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "gatehand", "run", "--config", str(folder / "config.toml")],
                stdout=stderr,
                stderr=stderr,
                env=environment(),
            )

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    @property
    def runs(self) -> bool:
        """Whether it has not ended."""
        return self._process.poll() is None

    @property
    def said(self) -> str:
        """Its standard error."""
        return self._errors.read_text()

    def kill(self) -> None:
        """End it without warning."""
        self._process.kill()
        self._process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
