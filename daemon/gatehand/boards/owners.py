"""What of a settings file is its owner's: the Wi-Fi, pins and calibration, the password. Kept when it is written anew.

And what must be filled in before the board can work, and which programs go on it.
"""

import json
import secrets
from collections.abc import Iterator, Mapping
from typing import Any, Final

from gatehand.boards.settings import Table
from gatehand.text import shown

FILES: Final[Mapping[str, tuple[str, ...]]] = {
    "gate": ("board.py", "link.py", "settings.py", "mqtt.py", "inputs.py", "gate.py", "main.py"),
    "switch": ("board.py", "link.py", "settings.py", "mqtt.py", "inputs.py", "switch.py", "main.py"),
    "sensor": (
        "board.py",
        "link.py",
        "settings.py",
        "mqtt.py",
        "clamp.py",
        "rms.py",
        "sensor.py",
        "calibrate.py",
        "main.py",
    ),
    "contact": ("board.py", "link.py", "settings.py", "mqtt.py", "inputs.py", "contact.py", "main.py"),
}
"""Of deploy/boards, by role, in the order in which they are copied: `main.py` last, for it is what a board runs."""
WITH_CLAMP: Final = ("clamp.py", "rms.py", "calibrate.py")
"""What a switch with a clamp needs besides."""
WITH_TLS: Final = ("secure.py",)
"""What a board of an encrypted broker needs besides."""
_COMMON: Final[Mapping[str, Any]] = {"watchdog_ms": 8000, "led": None}
_CLAMP: Final[Mapping[str, Any]] = {
    "adc": None,
    "amps_per_volt": None,
    "full_scale_volts": 3.3,
    "zero": None,
    "noise": None,
    "line_hz": None,
    "deadband": 0.1,
    "every_ms": 1000,
}
_SERVO: Final[Mapping[str, Any]] = {
    "servo": None,
    "open_angle": 90,
    "shut_angle": 0,
    "degrees_per_s": 120,
    "pulse_us": [500, 2500],
    "settle_ms": 200,
}
_ENDS: Final = ("open_switch", "shut_switch")
_OF_CONFIG: Final = frozenset(
    {"role", "name", "online", "about", "set", "state", "button", "amps", "inputs", "travel_ms", "limit_ms"}
)
"""Keys that the config decides, there or not."""
_OF_BROKER: Final = frozenset({"host", "port", "client_id", "keepalive", "tls"})
_LATE_MS: Final = 80
"""So much later than the blade arrives is it told: a step, an end switch that settles, a turn of the loop."""
_BYTES_OF_PASSWORD: Final = 18


def hardware(made: Table) -> Table:
    """All the pins and figures that such a board may have; null is what only its owner knows."""
    match made["role"]:
        case "gate":
            own = {**(_SERVO if "set" in made else {}), "button": None, **dict.fromkeys(_ENDS)}
        case "switch":
            clamp = dict(_CLAMP) if "amps" in made else None
            own = {"relay": None, "relay_on": 1, "feedback": None, "timer": None, "clamp": clamp}
        case "sensor":
            own = dict(_CLAMP)
        case _:
            own = {"pins": {one["name"]: None for one in made["inputs"]}}
    return {**_COMMON, **own}


def merged(made: Table, old: Table | None, wifi: Table | None, *, has_login: bool) -> Table:
    """What the config decides and what the owner had, in one.

    Args:
        made: by `settings_of`.
        old: the file as it is; None: there is none.
        wifi: what the other boards have, where this one has none yet.
        has_login: the config's broker asks for logins.
    """
    before = old or {}
    broker, had = dict(made["broker"]), _table(before.get("broker"))
    broker |= {key: value for key, value in had.items() if key not in _OF_BROKER}
    if has_login:
        broker["username"] = broker["client_id"]
        broker["password"] = broker.get("password") or secrets.token_urlsafe(_BYTES_OF_PASSWORD)
    if broker["tls"] is not None:
        # What the config has no answer to, the owner may have.
        owners = _table(had.get("tls"))
        broker["tls"] = {key: owners.get(key) if value is None else value for key, value in broker["tls"].items()}
    same_role = before.get("role", made["role"]) == made["role"]
    own = _over(hardware(made), _table(before.get("hardware")), every=same_role)
    whole = {
        "role": made["role"],
        "name": made["name"],
        "wifi": _wifi(_table(before.get("wifi")), wifi),
        "broker": broker,
        "hardware": own,
    }
    notes = {key: value for key, value in before.items() if key not in _OF_CONFIG and key not in whole}
    return whole | {key: value for key, value in made.items() if key not in whole} | notes


def _table(value: object) -> Table:
    return value if isinstance(value, dict) else {}


def _wifi(own: Table, others: Table | None) -> Table:
    if own.get("ssid") or others is None:
        return {"ssid": "", "password": ""} | own
    return own | others


def _over(standard: Table, owners: Table, *, every: bool) -> Table:
    """The owner's over ours. `every`: keys too that ours has not; a board of another role has other pins."""
    made = dict(standard)
    for key, value in owners.items():
        ours = standard.get(key)
        if isinstance(ours, dict):
            made[key] = _over(ours, value, every=every) if isinstance(value, dict) else ours
        elif key in _COMMON or every:
            made[key] = value
    return made


def changes(old: Table, new: Table) -> list[str]:
    """What of a file is another than before, each as a clause, the password's words never."""
    return [*_changes(old, new, "")]


def _changes(old: Table, new: Table, where: str) -> Iterator[str]:
    for key in [*new, *(each for each in old if each not in new)]:
        at, was, now = f"{where}{key}", old.get(key), new.get(key)
        if was == now:
            continue  # what is left out and what is null say the same
        if isinstance(was, dict) and isinstance(now, dict):
            yield from _changes(was, now, f"{at}.")
        elif key == "password":
            yield f"{at} {'added' if not was else 'removed' if not now else 'changed'}"
        elif was is None:
            yield f"{at} added"
        elif key not in new:
            yield f"{at} removed"
        else:
            yield f"{at} {_said(was)} -> {_said(now)}"


def _said(value: object) -> str:
    if isinstance(value, str | int | float | bool):
        return shown(value)
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."  # noqa: PLR2004 - as much as is read in a line


def to_fill_in(whole: Table) -> list[str]:
    """What only the owner knows and the board cannot do without, as keys of the file."""
    found = [] if whole["wifi"].get("ssid") else ["wifi.ssid"]
    tls = whole["broker"]["tls"]
    found += [] if tls is None or tls["server_name"] else ["broker.tls.server_name"]
    own = whole["hardware"]
    match whole["role"]:
        case "gate":
            # Moved by hand, it reports by one end switch at least.
            ends = [] if any(own.get(key) is not None for key in _ENDS) else list(_ENDS)
            wanted = [*(["servo"] if "set" in whole else ends), *(["button"] if "button" in whole else [])]
        case "switch":
            found += [] if own.get("relay") is not None else ["hardware.relay"]
            wanted = []
            clamp = own.get("clamp")
            if "amps" in whole and isinstance(clamp, dict):
                found += [f"hardware.clamp.{key}" for key in ("adc", "amps_per_volt") if clamp.get(key) is None]
            elif "amps" in whole:
                wanted.append("clamp")
        case "sensor":
            wanted = ["adc", "amps_per_volt"]
        case _:
            wanted = []
            pins = _table(own.get("pins"))
            found += [f"hardware.pins.{one['name']}" for one in whole["inputs"] if pins.get(one["name"]) is None]
    return found + [f"hardware.{key}" for key in wanted if own.get(key) is None]


def too_slow(whole: Table) -> str | None:
    """A servo that cannot be done within the config's travel; None: it can, or nobody can tell yet."""
    own = whole["hardware"]
    figures = [own.get(key) for key in ("open_angle", "shut_angle", "degrees_per_s", "settle_ms")]
    if whole["role"] != "gate" or "set" not in whole:
        return None
    if not all(isinstance(one, int | float) and not isinstance(one, bool) for one in figures) or figures[2] <= 0:
        return None
    opened, shut, speed, settle = figures
    takes = round(abs(opened - shut) / speed * 1000 + settle) + _LATE_MS
    if takes <= whole["travel_ms"]:
        return None
    return (
        f"its servo takes {takes} ms ({abs(opened - shut):g} degrees at {speed:g} a second, then settle_ms); the "
        f"config's travel is {whole['travel_ms']} ms: raise travel in [gate.{whole['name']}], or degrees_per_s as far "
        "as the servo can go"
    )


def programs(whole: Table) -> list[str]:
    """The files of deploy/boards that go on this board."""
    *found, main = FILES[whole["role"]]
    if whole["role"] == "switch" and "amps" in whole:
        found += WITH_CLAMP
    return [*found, *(WITH_TLS if whole["broker"]["tls"] is not None else ()), main]
