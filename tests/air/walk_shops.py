"""A shop with a station of three saws, and `gatehand airflow` asked of it, for the walks through the command."""

from pathlib import Path

import pytest

from gatehand import cli

CURVE = "[[0, 11.2], [400, 10.6], [800, 8.6], [1100, 5.8], [1400, 1.5]]"


FILTER = "filter_loss = { clean = 0.8, dirty = 2.0, at = 800 }"


STATION = f"""
[fan.main]
curve = {CURVE}
{FILTER}
[duct.main]
diameter = 6
length = 15
fittings = ["elbow_90"]
[duct.station]
into = "main"
diameter = 5
length = 4
fittings = ["blade_gate", "wye_45"]
gate = "station"
[duct.band_saw]
into = "station"
diameter = 4
length = 3
hood = {{ entry = "flanged", flow = 350, tool = "band_saw", machine_loss = {{ loss = 1.5, at = 350 }} }}
[duct.mitre_saw]
into = "station"
diameter = 4
length = 3
fittings = ["wye_45"]
hood = {{ entry = "plain", flow = 350, tool = "mitre_saw", dust = "shavings" }}
[duct.scroll_saw]
into = "station"
diameter = 2.5
length = 4
fittings = [{{ reducer = 4 }}, "wye_45"]
hood = {{ entry = "plain", flow = 100, tool = "scroll_saw", dust = "fine", machine_loss = 0 }}
[duct.lathe]
into = "main"
diameter = 4
length = 4
fittings = ["blade_gate", "wye_45"]
gate = "lathe"
hood = {{ entry = "bell", flow = 400, tool = "lathe" }}
"""


TOOLS = {"band_saw": "station", "mitre_saw": "station", "scroll_saw": "station", "lathe": "lathe"}


def shop(folder: Path, ducts: str = STATION, tools: dict[str, str] | None = None) -> Path:
    """A config with these tools (by gate; "" for none) and ducts."""
    at = TOOLS if tools is None else tools
    none = "" if any(at.values()) else "min_open = 0\n"
    text = f'[collector.main]\ncommand = {{ topic = "c/set", on = "1", off = "0" }}\n{none}'
    for gate in sorted({gate for gate in at.values() if gate}):
        text += f'[gate.{gate}]\ncommand = {{ topic = "g/{gate}/set", open = "1", shut = "0" }}\n'
    for tool, gate in at.items():
        where = f'gates = ["{gate}"]' if gate else 'collector = "main"'
        text += f'[tool.{tool}]\n{where}\ncurrent = {{ topic = "t/{tool}" }}\nstart_amps = 2\n'
    path = folder / "config.toml"
    path.write_text(f'[broker]\nhost = "127.0.0.1"\n{text}{ducts}', encoding="utf-8")
    return path


def airflow(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str]:
    """The exit code and what it printed."""
    code = cli.main(["airflow", *args])
    return code, capsys.readouterr().out


def row(text: str, start: str) -> str:
    """The one line that begins so."""
    (found,) = (line for line in text.splitlines() if line.startswith(start))
    return found
