"""Who may read what: the service gets its password handed over, and whoever asks the log needs no password."""

from pathlib import Path

import pytest

from gatehand.config import load, load_text
from gatehand.small_files import read_secret

SHOP = """
[broker]
username = "gatehand"
password_file = "{password}"
[log]
folder = "{log}"
[collector.main]
command = {{ topic = "shop/collector/set", on = "1", off = "0" }}
[gate.band_saw]
command = {{ topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }}
[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
"""


def test_a_credential_handed_over_by_the_service_manager_is_read_instead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed = tmp_path / "credentials"
    handed.mkdir()
    (handed / "mqtt-password").write_text("handed over\n")
    other = tmp_path / "mqtt-password"
    other.write_text("on disk\n")
    assert read_secret(other) == "on disk"
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(handed))
    assert read_secret(other) == "handed over"
    assert read_secret(tmp_path / "gone" / "mqtt-password") == "handed over"
    (tmp_path / "another").write_text("plain\n")
    assert read_secret(tmp_path / "another") == "plain"


def test_who_only_reads_needs_neither_password_nor_a_log_that_can_be_written(tmp_path: Path) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP.format(password="/nowhere/password", log="/proc/nowhere"))
    assert not load(config).ok
    assert load(config, files=False).ok


def test_circuits_reach_the_rules(tmp_path: Path) -> None:
    text = SHOP.format(password="p", log="log") + (
        '[circuit.wall]\namps = 20\nmembers = ["band_saw", "collector.main"]\nstart_gap = 2\n'
    )
    shop = load_text(text, tmp_path / "config.toml", files=False).shop
    assert shop is not None
    (circuit,) = shop.circuits
    assert (circuit.tools, circuit.collectors, circuit.start_gap) == (("band_saw",), ("main",), 2.0)
