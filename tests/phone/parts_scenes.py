"""Shops as the page is told of them, and the parts that it makes of them."""

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from support.status_shop import NOON, Heard, alarm, collector, gate, stamp, tool, tool_of

from gatehand.config import Config, load
from gatehand.phone.parts import Part, Stations, parts_of
from gatehand_rules.words import Measure

SHOP = """
[collector.main]
command = { topic = "shop/collector/set", on = "1", off = "0" }
[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
[gate.planing]
command = { topic = "shop/gate/planing/set", open = "open", shut = "shut" }
[gate.carving_router]
command = { topic = "shop/gate/carving_router/set", open = "open", shut = "shut" }
[gate.sweep]
command = { topic = "shop/gate/sweep/set", open = "open", shut = "shut" }
button = { topic = "shop/gate/sweep/button", pressed = "1" }
[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
[tool.jointer]
gates = ["planing"]
current = { topic = "shop/jointer/amps" }
start_amps = 2.5
[tool.drum_sander]
gates = ["planing"]
running = { topic = "shop/drum_sander/contact", active = "1", clear = "0" }
[tool.carving_router]
gates = ["carving_router", "sweep"]
power = { topic = "shop/carving_router/watts" }
start_watts = 140
"""


def config_of(folder: Path, text: str = SHOP) -> Config:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    loaded = load(path)
    assert loaded.config is not None, [str(each) for each in loaded.errors]
    return loaded.config


def parts(heard: Heard, stations: Stations | None = None, mono: float | None = None) -> dict[str, Part]:
    found = parts_of(heard.status, stations, heard.at, heard.at if mono is None else mono)
    assert json.loads(json.dumps(found)) == found, "parts are JSON and nothing else"
    return found


def at_rest() -> Heard:
    heard = Heard().say("online", "1", retained=True).say("collector/main", collector(), retained=True)
    for name in ("band_saw", "planing", "carving_router", "sweep"):
        heard.say(f"gate/{name}", gate(), retained=True)
    heard.say("tool/band_saw", tool(), retained=True).say("tool/jointer", tool(), retained=True)
    heard.say("tool/drum_sander", tool_of(Measure.RUNNING, False), retained=True)
    router = tool_of(Measure.WATTS, 9.0, start_watts=140.0, stop_watts=98.0)
    return heard.say("tool/carving_router", router, retained=True)


def cutting() -> Heard:
    heard = at_rest()
    heard.say("tool/band_saw", tool("running", 6.2, because="band saw started: 6.2 A, at or above its start_amps"))
    heard.say("gate/band_saw", gate("open"))
    on: dict[str, Any] = {
        "running": ["band_saw"],
        "reported_on": True,
        "drawing": True,
        "because": "band saw is running",
    }
    on |= {"switch": {"at": stamp(NOON), "kept": False, "recent": True}, "starts_this_hour": 3, "starts_per_hour": 12}
    on |= {"motor": {"amps": 11.2, "at": stamp(NOON), "kept": False, "recent": True}}
    return heard.say("collector/main", collector("running", **on))


def running_on() -> Heard:
    heard = cutting()
    heard.say("tool/band_saw", tool("run_on", 0.1, run_on_ends=stamp(NOON + 7)))
    until: dict[str, Any] = {"until": stamp(NOON + 7), "until_because": "run-on of band saw"}
    return heard.say("collector/main", collector("run_on", because="run-on of band saw", **until))


def by_hand() -> Heard:
    heard = at_rest().say("gate/sweep", gate("open", hand=True, hand_ends=stamp(NOON + 1750)))
    until: dict[str, Any] = {"until": stamp(NOON + 1750), "until_because": "hand start at sweep", "hands": ["sweep"]}
    return heard.say("collector/main", collector("running", because="hand start at sweep", **until))


def moving() -> Heard:
    heard = at_rest().say("gate/band_saw", gate("opening", known_by="told", told_at=stamp(NOON)))
    heard.say("gate/planing", gate("shutting", known_by="told", told_at=stamp(NOON)))
    heard.say("gate/carving_router", gate("unknown", reports=False, because="nothing was heard since the start"))
    heard.say("collector/main", collector("coast_down", coast_down_until=stamp(NOON + 8), because="no tool runs"))
    heard.at += 1
    return heard


def held() -> Heard:
    heard = at_rest()
    why: dict[str, Any] = {"held": "emergency", "held_by_stop": True, "because": "stop contact emergency is active"}
    heard.say("collector/main", collector("held", **why))
    refused = "start refused: band saw was already running (6.2 A) when the hold was reset; switch it off and on again"
    return heard.say("tool/band_saw", tool("running", 6.2, because=refused))


def wrong() -> Heard:
    """All at once that can be wrong with a device."""
    heard = at_rest()
    heard.say("gate/band_saw", gate("fault", because="gate band saw was told open 3 times and has not reported open"))
    heard.say("gate/planing", gate("open", by_hand=True, known_by="kept"))
    heard.say("gate/sweep", gate("shut", unheard=["shop/gate/sweep/button"]))
    heard.say("tool/band_saw", tool("unknown", because="nothing was heard since the start"))
    gone: dict[str, Any] = {"offline_since": stamp(NOON - 185), "reading_at": stamp(NOON - 200)}
    heard.say("tool/jointer", tool("silent", 0.05, because="jointer: its sensor has said nothing for 30 s", **gone))
    odd = [
        {"key": "running", "topic": "shop/drum_sander/contact", "said": "<b>on</b>", "why": "found a word, want 1 or 0"}
    ]
    silent = {"state": "silent", "because": "drum sander: its sensor says nothing that is understood"}
    heard.say("tool/drum_sander", tool_of(Measure.RUNNING, None, not_understood=odd, **silent))
    missed = "carving router did not count as running: it drew 118 W at most, below its start_watts of 140 W"
    heard.say("tool/carving_router", tool_of(Measure.WATTS, 9.0, start_watts=140.0, because=missed))
    heard.say("tool/thicknesser", tool("muted", 3.0, because="thicknesser was muted by the button of its gate"))
    heard.say("collector/main", collector(bin_full=True, reported_on=True, offline_since=stamp(NOON - 61)))
    fault = alarm("The gate band saw was told open 3 times", NOON - 43_300)
    heard.say("alarm/gate.band_saw.fault", {**fault, "acked": stamp(NOON - 10)})
    return heard.say("alarm/daemon.main.log", alarm("The log cannot be written."))


SCENES: Mapping[str, Callable[[], Heard]] = {
    "nothing heard yet": lambda: Heard().say("online", "1", retained=True),
    "at rest": at_rest,
    "cutting": cutting,
    "run-on": running_on,
    "a hand start": by_hand,
    "gates on their way": moving,
    "held by a stop contact": held,
    "what can be wrong": wrong,
}
