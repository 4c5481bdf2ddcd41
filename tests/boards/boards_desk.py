"""A config, a folder of boards' settings, and `gatehand boards` between them: what the tests of the command share."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gatehand.cli import main

SHOP = """
[broker]
host = "127.0.0.1"

[collector.main]
command = { topic = "shop/collector/set", on = "1", off = "0" }
state = { topic = "shop/collector/state", on = "1", off = "0" }
bin_full = { topic = "shop/bin/full", active = "1", clear = "0" }
refresh = 20

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/band_saw/button", pressed = "1" }

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps", pointer = "/amps", at = "/at" }
start_amps = 2.5
"""
AT = ["--broker", "192.168.1.10"]
LOGINS = ["bin_full-main", "collector-main", "gate-band_saw", "tool-band_saw"]


class Desk:
    """A config, a folder of boards, and the command between them."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.config, self.out = folder / "config.toml", folder / "boards"
        self._capsys = capsys
        self.err = ""
        self.config.write_text(SHOP)

    def run(self, *more: str, code: int = 0) -> str:
        """What it prints."""
        assert main(["boards", "--config", str(self.config), "--out", str(self.out), *more]) == code
        said, self.err = self._capsys.readouterr()
        return said

    def facts(self, *more: str, code: int = 0) -> dict[str, Any]:
        """What it tells programs."""
        found: dict[str, Any] = json.loads(self.run(*more, "--json", code=code))
        return found

    def certificate(self) -> Path:
        """The shop's authority, beside the config: as much of it as this command looks at."""
        path = self.config.parent / "ca.crt"
        path.write_text("x")
        return path

    def change(self, before: str, after: str) -> None:
        """The config."""
        text = self.config.read_text()
        assert before in text
        self.config.write_text(text.replace(before, after))

    def file(self, login: str) -> Path:
        """A board's settings file."""
        return self.out / login / "settings.json"

    def settings(self, login: str) -> dict[str, Any]:
        """What is in it."""
        found: dict[str, Any] = json.loads(self.file(login).read_text())
        return found

    def edit(self, login: str, change: Callable[[dict[str, Any]], None]) -> None:
        """As its owner does."""
        found = self.settings(login)
        change(found)
        self.file(login).write_text(json.dumps(found))

    def all_files(self) -> dict[str, bytes]:
        """By name below the folder."""
        return {str(each.relative_to(self.out)): each.read_bytes() for each in self.out.rglob("*") if each.is_file()}


def with_logins(desk: Desk, *more: str) -> str:
    desk.change("[broker]\n", '[broker]\nusername = "gatehand"\npassword_file = "secret"\n')
    return desk.run(*AT, *more)
