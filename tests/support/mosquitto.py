"""A real Mosquitto as a child process on a free loopback port, to be stopped, killed, frozen and revived.

Nothing in here knows Gatehand. In CI a missing Mosquitto is a failure, elsewhere the test is skipped and says so.
"""

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest

from support.ports import free_port


def mosquitto_program() -> str:
    """Path of the broker's program; without one, skips the test, or fails it where CI is set."""
    found = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        message = "needs the program mosquitto: apt-get install mosquitto"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found


class Mosquitto:
    """One broker. A context manager: started on entry, killed and cleaned up at exit.

    Args:
        config: further lines of mosquitto.conf, after `listener` and `allow_anonymous`.
        anonymous: whether a client without login may connect.
        persistent: keeps retained messages over `stop` (not over `kill9`).
        listens: False: `config` is all of mosquitto.conf, and says itself that `port` is listened to.
    """

    def __init__(
        self, config: Sequence[str] = (), *, anonymous: bool = True, persistent: bool = False, listens: bool = True
    ) -> None:
        self._program = mosquitto_program()
        self._config = tuple(config)
        self._persistent = persistent
        self._listens = listens
        self.anonymous = anonymous
        self.port = free_port()
        self._scratch = tempfile.TemporaryDirectory(prefix="mosquitto-")
        self.folder = Path(self._scratch.name)
        self.folder.chmod(0o777)  # the broker drops root for a user of its own
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Process id of the running broker."""
        assert self._process is not None, "the broker does not run"
        return self._process.pid

    @property
    def log(self) -> str:
        """What the broker has written so far, over all its starts."""
        path = self.folder / "broker.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def configure(self, *config: str, anonymous: bool | None = None) -> None:
        """Other config lines for the next start."""
        self._config = config
        self.anonymous = self.anonymous if anonymous is None else anonymous

    def start(self, seconds: float = 5.0) -> Self:
        """Start (again) on the same port and wait until it accepts connections."""
        assert self._process is None, "the broker runs already"
        lines = []
        if self._listens:
            lines += [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(self.anonymous).lower()}"]
        if self._persistent:
            lines += ["persistence true", f"persistence_location {self.folder}/"]
        file = self.folder / "mosquitto.conf"
        file.write_text("\n".join([*lines, *self._config]) + "\n")
        with (self.folder / "broker.log").open("ab") as log:
            self._process = subprocess.Popen([self._program, "-v", "-c", str(file)], stdout=log, stderr=log)  # noqa: S603
        until = time.monotonic() + seconds
        while not self._accepts():
            if self._process.poll() is not None or time.monotonic() > until:
                self.kill9()
                pytest.fail(f"mosquitto did not start:\n{self.log[-2000:]}")
            time.sleep(0.01)
        return self

    revive = start

    def stop(self) -> None:
        """End it as a service manager would, with SIGTERM."""
        self._end(signal.SIGTERM)

    def kill9(self) -> None:
        """End it without warning."""
        self._end(signal.SIGKILL)

    def sigstop(self) -> None:
        """Freeze it: connections stay, nothing answers. It stands when this returns, so nothing more is sent."""
        os.kill(self.pid, signal.SIGSTOP)
        while Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()[0] != "T":
            time.sleep(0.001)

    def sigcont(self) -> None:
        """Thaw it."""
        os.kill(self.pid, signal.SIGCONT)

    def reload(self) -> None:
        """Make it read its password and access files again."""
        os.kill(self.pid, signal.SIGHUP)

    def __enter__(self) -> Self:
        return self if self._process is not None else self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill9()
        self._scratch.cleanup()

    def _accepts(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=0.2).close()
        except OSError:
            return False
        return True

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        if how is not signal.SIGKILL:
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
        process.wait()
