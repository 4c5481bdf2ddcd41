"""Whole screens at five widths, to be read: tests/screen/pictures; `pytest --rewrite-scenarios` draws them anew."""

import re
import time
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from support.status_shop import NOON, Heard, collector, gate, stamp, tool, tool_of

from gatehand.screen.lines import text_of
from gatehand.screen.page import page
from gatehand.terminal import wide
from gatehand_rules.words import Measure

PICTURES = Path(__file__).parent / "pictures"
WIDTHS = (40, 60, 80, 120, 200)


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def shop() -> Heard:
    """An instrument maker's, in the middle of its work."""
    heard = Heard().say("online", "1", retained=True).say("collector/main", collector(), retained=True)
    for name in ("band_saw", "carving_router", "planing", "sweep"):
        heard.say(f"gate/{name}", gate(), retained=True)
    every_10_s = {"every": 10.0, "longest": 10.4, "steady": True, "on_change": False, "count": 14}
    heard.say("tool/band_saw", tool(rhythm=every_10_s), retained=True)
    heard.say("tool/jointer", tool(), retained=True)
    heard.say("tool/drum_sander", tool_of(Measure.RUNNING, False), retained=True)
    router = {"start_watts": 100.0, "stop_watts": 70.0}
    heard.say("tool/carving_router", tool_of(Measure.WATTS, 4.0, **router), retained=True)
    heard.at += 1
    started = "jointer started: 6.25 A, at or above its start_amps of 2.5 A"
    heard.say("tool/jointer", tool("running", 6.25, NOON + 1, because=started))
    heard.say("gate/planing", gate("open", NOON + 2, because="gate planing is open: it reported after 0.8 s"))
    on = {"running": ["jointer"], "reported_on": True, "drawing": True, "starts_this_hour": 3, "starts_per_hour": 12}
    on |= {"because": "collector switched on: 1 gate is proven open, for jointer"}
    heard.say("collector/main", collector("running", NOON + 2, **on))
    heard.at += 4
    return heard


def with_trouble() -> Heard:
    """The same, with all that can be wrong at once."""
    heard = shop()
    odd = [
        {
            "key": "power",
            "topic": "shop/router/amps",
            "said": "n/a",
            "why": "found text that is not a number, want a number",
        }
    ]
    lost = {"start_watts": 100.0, "stop_watts": 70.0, "reading_at": stamp(NOON - 205), "not_understood": odd}
    heard.say("tool/carving_router", tool_of(Measure.WATTS, 121.4, state="silent", **lost))
    heard.say("tool/band_saw", tool("run_on", 0.04, NOON + 3, run_on_ends=stamp(NOON + 83)))
    heard.say("gate/band_saw", gate("fault", NOON + 4, because="gate band saw is faulty: it did not report in 1.5 s"))
    heard.say("gate/carving_router", gate("open", NOON + 4, reports=False))
    hand = {"hand": True, "hand_ends": stamp(NOON + 1799), "unheard": ["shop/gate/sweep/button"]}
    heard.say("gate/sweep", gate("open", NOON + 4, **hand))
    for name, because, after in (
        (
            "gate.band_saw.fault",
            "Gate band saw is faulty: it was told to open 3 times and did not report within 1.5 s.",
            "Look whether something is in its way and whether it has power; then open it once with its button.",
        ),
        (
            "tool.carving_router.silent",
            "The sensor of carving router is heard, but not understood: on shop/router/amps it said 'n/a'.",
            "Correct [tool.carving_router] in the config, or what the device sends.",
        ),
    ):
        heard.say(f"alarm/{name}", {"since": stamp(NOON + 4), "because": because, "next": after})
    return heard


def offline() -> Heard:
    """The daemon has ended while a tool was running; what stands there is of the past."""
    heard = shop()
    for name, amps in (("band_saw", 1.8), ("jointer", 6.25)):
        heard.say(f"tool/{name}", tool("idle" if amps < 2 else "running", amps, reading_at=stamp(NOON + 5)))
    heard.say("online", "0")
    heard.at += 180
    return heard


def large() -> Heard:
    """Three collectors, twenty gates and tools, names that are long and alike, letters that are wide."""
    heard = Heard().say("online", "1", retained=True)
    heard.say("collector/main", collector("coast_down", coast_down_until=stamp(NOON + 8)), retained=True)
    heard.say("collector/north", collector("held", held="emergency", held_by_stop=True, bin_full=True), retained=True)
    heard.say("collector/yard", collector("run_on", until=stamp(NOON + 0.3), hands=["sweep"]), retained=True)
    states = (("idle", 0.05), ("running", 12.5), ("idle", 0.0), ("muted", 3.1), ("unknown", None))
    north, south = "thickness_planer_by_the_north_window", "thickness_planer_by_the_south_window"
    others = {6: north, 13: south, 19: "\u5e2f\u92f8\u76e4"}
    for number in range(20):
        word, amps = states[number % len(states)]
        name = others.get(number, f"bench_{number + 1}")
        heard.say(f"tool/{name}", tool(word) | {"amps": amps}, retained=True)
        heard.say(f"gate/{name}", gate("open" if word == "running" else "shut"), retained=True)
    return heard


SCENES = (
    ("gatehand status", shop, None),
    ("gatehand status, with trouble", with_trouble, None),
    ("gatehand watch on 24 rows, with trouble", with_trouble, 24),
    ("gatehand watch on 12 rows, with trouble", with_trouble, 12),
    ("gatehand status, 3 min after the daemon ended", offline, None),
    ("gatehand status of a large shop", large, None),
    ("gatehand watch of a large shop on 24 rows", large, 24),
    ("gatehand watch of a large shop on 8 rows", large, 8),
)


@pytest.mark.parametrize("width", [40, 80])
def test_the_live_screen_draws_every_line_as_it_was_laid_out(width: int) -> None:
    """Wide letters too: what counts their columns there is another library."""
    rich_console, live = pytest.importorskip("rich.console"), pytest.importorskip("gatehand.screen.live")
    for _, scene, height in SCENES:
        heard, file = scene(), StringIO()
        lines = page(heard.status, "gatehand at shop.local:1883", heard.at, width=width, height=height)
        terminal = rich_console.Console(width=width, file=file, force_terminal=True, color_system="standard")
        terminal.print(live.as_text(lines))
        drawn = re.sub(r"\x1b\[[0-9;]*m", "", file.getvalue()).splitlines()
        assert [each.rstrip() for each in drawn] == [text_of(each) for each in lines]


@pytest.mark.parametrize("width", WIDTHS)
def test_every_screen_is_as_it_was_read_last(width: int, request: pytest.FixtureRequest) -> None:
    drawn = ""
    for title, scene, height in SCENES:
        lines = scene().lines(width, height)
        assert max(map(wide, lines)) <= width
        assert height is None or len(lines) <= height
        drawn += f"## {title}\n\n" + "".join(f"{line}\n" for line in lines) + "\n"
    path = PICTURES / f"{width}_columns.txt"
    if request.config.getoption("--rewrite-scenarios"):
        path.write_text(drawn, encoding="utf-8")
    assert drawn == path.read_text(encoding="utf-8")
