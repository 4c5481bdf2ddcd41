"""Where a demo lives on disk: a folder that stays, with its event log and the config that goes with it."""

import re
import tempfile
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Final

from gatehand.config import Loaded, load
from gatehand.text import shown

CONFIG_NAME: Final = "shop.toml"
_PORT: Final = re.compile(r"^port = 1883\b", re.MULTILINE)


class NoHomeError(Exception):
    """The folder cannot be used; the message says why and what to do."""


def make_home(wanted: Path | None) -> Path:
    """The folder: the one named, made where it is not there yet, or a fresh one among the system's temporary ones.

    Raises:
        NoHomeError: it cannot be made.
    """
    try:
        if wanted is None:
            return Path(tempfile.mkdtemp(prefix="gatehand-demo-"))
        wanted.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NoHomeError(f"{error.filename or wanted}: {error.strerror}; name another folder with --log") from error
    return wanted


def leave_if_empty(home: Path) -> None:
    """A demo that did not come to anything leaves no folder behind."""
    with suppress(OSError):
        home.rmdir()


def furnish(home: Path, port: int) -> Loaded:
    """Write the shop's config, with the broker's port in it, beside the log that it names; gives it loaded.

    Raises:
        NoHomeError: the config cannot be written, or a file of that name is not the demo's.
    """
    text = (files("gatehand.demo") / "shop.toml").read_text("utf-8")
    path = home / CONFIG_NAME
    first = text.partition("\n")[0]
    try:
        if path.exists() and not path.read_text("utf-8", "replace").startswith(first):
            raise NoHomeError(f"{path}: not a config of the demo, so it is left alone; name another folder with --log")
        path.write_text(_PORT.sub(f"port = {port}", text), encoding="utf-8")
    except OSError as error:
        raise NoHomeError(f"{path}: {error.strerror}; name another folder with --log") from error
    loaded = load(path)
    if loaded.errors:
        raise NoHomeError(f"{loaded.errors[0]} ({shown(CONFIG_NAME)} comes with the demo: install it anew)")
    return loaded
