"""Debian's chromium, and how it is started: without what would look for the network at every start."""

import os
import shutil
from typing import Final

import pytest

FLAGS: Final = (
    "--no-sandbox",  # CI's user is root, whom chromium refuses without it
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP stranger.example 127.0.0.1",  # a name that was made to lead here
)


def chromium_program() -> str:
    """Path of the browser; without one, skips the test, or fails it where CI is set."""
    found = shutil.which("chromium")
    if found is None:
        message = "needs the program chromium: apt-get install chromium fonts-dejavu-core"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found
