"""How large the boards' programs are: bytes of compiled code, and what each role keeps in memory once it has started.

The table stands in deploy/boards/README.md. Bytes are exact. The heap of one run may differ from that of the next by a
few words (the collector takes what looks like an address for one), so a figure that is shown stays as long as the
measured one is within a twentieth of it.
"""

import json
import re
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, Final

from gatehand.boards.owners import FILES
from support.micropython import BOARDS, micropython_program, mpy_cross_program, says

STANDINS: Final = Path(__file__).parents[1] / "boards" / "standins"
STAYS: Final = 0.05
_WATCHED: Final = {"topic": "shop/x/state", "poll": {"topic": "shop/x/set", "payload": "?"}}
_ROLES: Final[dict[str, dict[str, Any]]] = {
    "gate": {
        "set": {"topic": "shop/x/set", "open": "open", "shut": "shut"},
        "state": {**_WATCHED, "open": "open", "shut": "shut"},
        "button": {"topic": "shop/x/button", "pressed": "1"},
        "travel_ms": 1500,
        "hardware": {"servo": 2, "button": 3, "open_switch": 4, "shut_switch": 5},
    },
    "switch": {
        "set": {"topic": "shop/x/set", "on": "1", "off": "0"},
        "state": {**_WATCHED, "on": "1", "off": "0"},
        "limit_ms": 50000,
        "hardware": {"relay": 2, "feedback": 3},
    },
    "sensor": {
        "amps": {"topic": "shop/x/amps", "path": ["amps"], "at": ["at"]},
        "hardware": {"adc": 2, "amps_per_volt": 30.0},
    },
    "contact": {
        "inputs": [
            {"kind": "closed", "name": "emergency", **_WATCHED, "active": "1", "clear": "0"},
            {"kind": "button", "name": "reset", "topic": "shop/x/reset", "pressed": "1", "released": "0"},
        ],
        "hardware": {"pins": {"emergency": 2, "reset": 3}},
    },
}
_STARTS: Final = """
import gc, sys
sys.path[:0] = {path!r}
import errno, json, machine, network, random, select, socket, struct, time, world
gc.collect()
before = gc.mem_alloc()
import board
settings = board.Settings(json.load(open("settings.json")))
role = __import__(settings.need("role", str)).make(settings)
link = board.Link(settings, print)
link.serve(role)
settings = None
gc.collect()
print(gc.mem_alloc() - before)
"""


def settings(role: str) -> dict[str, Any]:
    """A board's settings.json, with an input on every pin that the role has."""
    return {
        "role": role,
        "name": "x",
        "wifi": {"ssid": "shop", "password": "by hand"},
        "broker": {"host": "127.0.0.1", "port": 1883, "client_id": "x", "username": "x", "password": "by hand"},
        "online": {"topic": "shop/x/online", "active": "1", "clear": "0"},
        "about": {"topic": "shop/x/about"},
        **_ROLES[role],
    }


@cache
def compiled() -> dict[str, int]:
    """Bytes of each program, compiled for a board."""
    with tempfile.TemporaryDirectory(prefix="mpy-") as folder:
        out = Path(folder) / "program.mpy"
        found = {}
        for file in sorted(BOARDS.glob("*.py")):
            says(mpy_cross_program(), "-o", out, "-s", file.name, file)
            found[file.name] = out.stat().st_size
    return found


@cache
def heap(role: str) -> int:
    """Bytes on the heap once this role has started from its settings: its programs and all that they have made."""
    with tempfile.TemporaryDirectory(prefix="board-") as folder:
        (Path(folder) / "settings.json").write_text(json.dumps(settings(role)))
        script = _STARTS.format(path=[str(BOARDS), str(STANDINS)])
        return int(says(micropython_program(), "-c", script, cwd=Path(folder)).splitlines()[-1])


def table(shown: str = "") -> str:
    """The table; `shown`: as it stands in the document, whose figures of the heap stay where they still hold."""
    before = {found[1]: float(found[2]) for found in re.finditer(r"^(\w+) +[\d,]+ +([\d.]+)$", shown, re.MULTILINE)}
    lines = ["compiled (.mpy)     bytes"]
    lines += [f"{name:<16}{size:9,}" for name, size in compiled().items()]
    lines += ["", "role               bytes   heap (KiB, words of 64 bits)"]
    for role, files in FILES.items():
        used = heap(role) / 1024
        kept = before.get(role, 0.0)
        figure = kept if abs(used - kept) <= STAYS * used else used
        lines.append(f"{role:<16}{sum(compiled()[name] for name in files):9,}{figure:9.1f}")
    return "\n".join(lines) + "\n"
