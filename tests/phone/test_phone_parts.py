"""What the page shows of each thing, in words: tests/phone/parts.txt, to be read; `pytest --rewrite-scenarios` anew.

Beside it what must hold whatever is heard: other people's messages come over the same broker.
"""

import json
import re
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.status_shop import NOON, Heard, alarm, collector, gate, large_shop, small_shop, stamp, tool, tool_of

from gatehand.config import Config, load
from gatehand.mqtt.inbox import Message
from gatehand.phone.parts import CAUTION, LOST_AFTER, Part, Stations, parts_of
from gatehand.screen.daemon_status import DaemonStatus
from gatehand_rules.words import Measure

PICTURE = Path(__file__).parent / "parts.txt"
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


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def config_of(folder: Path, text: str = SHOP) -> Config:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    loaded = load(path)
    assert loaded.config is not None, [str(each) for each in loaded.errors]
    return loaded.config


@pytest.fixture
def stations(tmp_path: Path) -> Stations:
    return Stations.of(config_of(tmp_path))


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


def drawn(found: Mapping[str, Part]) -> Iterator[str]:
    """All that is shown, in lines; what is the same in every scene aside."""
    for key, part in found.items():
        if key == "shop":
            continue
        yield f"{key}:"
        for name, value in part.items():
            if name == "tools":
                for each in value:
                    told = (f"{one}={text!r}" for one, text in each.items() if text not in ("", None))
                    yield f"    tool {', '.join(told)}"
            elif name == "list":
                yield from (f"    {each}" for each in value)
            elif value not in ("", None, [], False) and name not in {"name", "title"}:
                yield f"    {name}: {value}"


def test_every_state_of_every_device_has_its_words(stations: Stations, request: pytest.FixtureRequest) -> None:
    text = ""
    for title, scene in SCENES.items():
        text += "\n".join([f"== {title}", *drawn(parts(scene(), stations)), "", ""])
    if request.config.getoption("--rewrite-scenarios"):
        PICTURE.write_text(text, encoding="utf-8")
    assert text == PICTURE.read_text("utf-8")


# Of what is reached


def test_a_daemon_that_says_nothing_more_is_lost_with_the_time_it_was_heard() -> None:
    heard = small_shop().say("daemon/beat", "")
    assert parts(heard)["reached"]["state"] == "well"
    heard.at += LOST_AFTER
    assert parts(heard)["reached"]["state"] == "well"
    heard.at += 0.1
    reached = parts(heard)["reached"]
    assert (reached["state"], reached["as_of"]) == ("lost", "12:00:00")
    assert reached["text"].startswith("LOST: the daemon no longer says that it is at work.")
    heard.say("gate/band_saw", gate("open", NOON + 2.6))
    assert parts(heard)["reached"] == reached, "a message of somebody else's is no beat"
    heard.say("daemon/beat", "")
    assert parts(heard)["reached"]["state"] == "well"


def test_lost_says_the_same_each_second_so_that_it_is_read_aloud_once() -> None:
    for ends in (lambda status: status.lost("connection refused", NOON), lambda _: None):
        heard = small_shop().say("daemon/beat", "")
        ends(heard.status)
        said = set()
        for _ in range(100):
            heard.at += 1
            if (reached := parts(heard)["reached"])["state"] == "lost":
                said.add(json.dumps(reached))
        assert len(said) == 1


def test_without_broker_or_daemon_it_is_said_who_is_missing() -> None:
    heard = small_shop()
    heard.status.lost("cannot reach shop.local:1883", NOON)
    reached = parts(heard)["reached"]
    assert "no connection to the broker (cannot reach shop.local:1883)" in reached["text"]
    assert reached["as_of"] == "12:00:00", "what the broker kept is as old as its newest word"
    assert parts(heard)["alarms"]["text"] == "No alarms were active then."
    offline = parts(small_shop().say("online", "0"))["reached"]
    assert (offline["state"], offline["as_of"]) == ("lost", "12:00:00")
    assert "the daemon is offline" in offline["text"]
    assert parts(Heard())["reached"]["state"] == "nothing"
    assert "gatehand/online" in parts(Heard())["reached"]["text"]
    never = Heard()
    never.status.lost("refused", NOON)
    assert parts(never)["reached"]["as_of"] == "", "nothing is shown that could be of a time"


def test_what_is_of_another_day_is_shown_with_its_day() -> None:
    heard = small_shop().say("online", "0")
    heard.at += 86_400 * 3
    assert parts(heard)["reached"]["as_of"] == "2026-03-04 12:00:00"


def test_clocks_that_differ_are_told_and_countdowns_go_by_this_computers() -> None:
    heard = small_shop()
    ahead = 92
    until = {"until": stamp(NOON + ahead + 10), "until_because": "run-on of band saw"}
    heard.say("collector/main", collector("run_on", since=NOON + ahead, **until))
    found = parts(heard)
    assert found["reached"]["note"] == "Its clock is about 1 min 30 s ahead of this computer's."
    assert found["collector:main"]["until"] == NOON + 10
    assert found["collector:main"]["since"] == "since 12:00:00"


# Of the countdowns


def test_no_part_changes_with_the_second_while_nothing_happens(stations: Stations) -> None:
    def long_unheard() -> Heard:
        old: dict[str, Any] = {
            "reported_on": False,
            "switch": {"at": stamp(NOON - 200), "kept": False, "recent": False},
        }
        return at_rest().say("collector/main", collector(**old))

    assert parts(long_unheard(), stations)["collector:main"]["facts"] == ["switch reported off 3 min ago"]
    for scene in (at_rest, cutting, running_on, by_hand, held, long_unheard):
        heard = scene()
        before = parts(heard, stations)
        heard.at += 3
        after = parts(heard, stations)
        assert {key for key in after if after[key] != before[key]} == {"shop"}, scene.__name__


def test_what_is_over_is_counted_down_no_longer(stations: Stations) -> None:
    heard = running_on()
    heard.at += 8
    found = parts(heard, stations)
    assert found["collector:main"]["until"] is None
    assert found["collector:main"]["why"] == "Run-on of band saw."
    assert found["station:band_saw"]["tools"][0]["until"] is None


def test_nobody_counts_the_hours_of_a_run_limit() -> None:
    stuck: dict[str, Any] = {"until_because": "run limit of band saw", "running": ["band_saw"]}
    heard = small_shop().say("collector/main", collector("running", until=stamp(NOON + 3601), **stuck))
    assert parts(heard)["collector:main"]["until"] is None
    heard.say("collector/main", collector("running", until=stamp(NOON + 600), **stuck))
    assert parts(heard)["collector:main"]["until_text"] == "off in {left} (run limit of band saw)"


# Of the tiles


def test_tiles_come_in_the_order_of_the_config_then_what_it_does_not_know(stations: Stations) -> None:
    heard = at_rest().say("gate/attic", gate()).say("tool/thicknesser", tool()).say("collector/shed", collector())
    found = parts(heard, stations)
    order = ["reached", "alarms", "collector:main", "collector:shed", "station:band_saw", "station:planing"]
    order += ["station:carving_router", "station:sweep", "station:attic", "station:thicknesser", "events"]
    assert list(found) == [*order, "shop"]
    assert found["shop"]["order"] == order
    assert found["station:attic"]["note"] == "not in this page's config"
    assert found["station:thicknesser"]["note"] == "no gate, not in this page's config"
    assert found["collector:main"]["title"] == "collector main", "one of two has its name"


def test_a_tool_with_several_gates_stands_at_the_first_and_the_others_name_it(stations: Stations) -> None:
    found = parts(at_rest(), stations)
    assert [each["name"] for each in found["station:carving_router"]["tools"]] == ["carving_router"]
    assert found["station:sweep"]["tools"] == []
    assert found["station:sweep"]["note"] == "opens for carving router too"


def test_a_tool_without_a_gate_has_a_tile_even_beside_a_gate_of_its_name(tmp_path: Path) -> None:
    text = SHOP.replace('[tool.jointer]\ngates = ["planing"]', '[tool.jointer]\ncollector = "main"')
    text += """
[gate.jointer]
command = { topic = "shop/gate/jointer/set", open = "open", shut = "shut" }
button = { topic = "shop/gate/jointer/button", pressed = "1" }
"""
    heard = at_rest().say("gate/jointer", gate())
    found = parts(heard, Stations.of(config_of(tmp_path, text)))
    alone = found["station:tool jointer"]
    assert (alone["gate"], alone["name"], alone["can_hand"], alone["note"]) == (False, "jointer", False, "no gate")
    assert found["station:jointer"]["gate"] is True
    assert found["station:jointer"]["tools"] == []


def test_with_several_collectors_each_gate_names_its_own(tmp_path: Path) -> None:
    text = SHOP.replace("[gate.band_saw]\n", '[gate.band_saw]\ncollector = "shed"\n')
    for name in ("planing", "carving_router", "sweep"):
        text = text.replace(f"[gate.{name}]\n", f'[gate.{name}]\ncollector = "main"\n')
    text += '[collector.shed]\ncommand = { topic = "shop/shed/set", on = "1", off = "0" }\n'
    found = parts(at_rest(), Stations.of(config_of(tmp_path, text)))
    assert found["station:band_saw"]["note"] == "collector shed"
    assert found["station:planing"]["note"] == "collector main"
    assert found["collector:shed"]["word"] == "not heard yet"


def test_without_a_config_the_daemon_says_what_there_is() -> None:
    heard = at_rest().say("tool/carving_router", tool(gates=["sweep", "carving_router"]))
    heard.say("tool/band_saw", tool(gates=["band_saw"])).say("tool/hose", tool(gates=["gone"]))
    found = parts(heard)
    keys = [key for key in found if key.startswith("station:")]
    assert keys[:4] == ["station:band_saw", "station:carving_router", "station:planing", "station:sweep"]
    assert [each["name"] for each in found["station:sweep"]["tools"]] == ["carving_router"]
    assert found["station:carving_router"]["note"] == "opens for carving router too"
    assert found["station:hose"]["note"] == "no gate"


def test_a_gate_that_is_moved_by_hand_can_only_have_air_while_it_is_open() -> None:
    heard = small_shop().say("gate/band_saw", gate(by_hand=True)).say("gate/jointer", gate("open", by_hand=True))
    found = parts(heard)
    assert found["station:band_saw"]["can_hand"] is False
    assert found["station:jointer"]["can_hand"] is True


def test_thirty_stations_each_have_their_tile_by_number() -> None:
    found = parts(large_shop(tools=30, gates=30))
    assert sum(key.startswith("station:gate_") for key in found) == 30


def test_bars_end_at_twice_the_start_threshold_and_a_contact_has_none(stations: Stations) -> None:
    def row(body: Mapping[str, object]) -> Part:
        found: Part = parts(at_rest().say("tool/band_saw", body), stations)["station:band_saw"]["tools"][0]
        return found

    assert [row(tool(amps=amps))["share"] for amps in (-3.0, 0.0, 1.25, 2.5, 500.0)] == [0.0, 0.0, 0.5, 1.0, 2.0]
    assert row(tool())["stop_share"] == 0.72
    assert row(tool_of(Measure.RUNNING, True))["share"] is None
    assert row(tool_of(Measure.AMPS, None, start_amps=2.5))["reading"] == "no reading"
    assert row({**tool(), "start_amps": 0})["share"] is None


def test_alarms_stand_the_newest_first_each_with_what_to_do() -> None:
    found = parts(wrong())["alarms"]
    assert found["text"] == "2 active alarms"
    assert [each["id"] for each in found["list"]] == ["daemon.main.log", "gate.band_saw.fault"]
    assert found["list"][1]["since"] == "since 2026-03-03 23:58:20, acknowledged"
    assert found["list"][1]["began"] == NOON - 43_300
    assert found["list"][1]["next"] == "Look at it and mend it."
    assert parts(small_shop())["alarms"] == {"list": [], "text": "No active alarms."}
    assert parts(small_shop().say("alarm/stop.a.active", alarm("x")))["alarms"]["text"] == "1 active alarm"


def test_the_last_events_come_first_and_no_more_than_twenty() -> None:
    heard = small_shop()
    for n in range(30):
        heard.at += 1
        heard.say("gate/band_saw", gate("open" if n % 2 else "shut", heard.at))
    found = parts(heard)["events"]["list"]
    assert len(found) == 20
    assert found[0] == {"clock": "12:00:30", "text": "Gate band saw: open.", "loud": False}


def test_the_caution_is_always_there() -> None:
    for heard in (Heard(), small_shop()):
        assert parts(heard)["shop"]["caution"] == CAUTION
    assert "not an emergency stop and not a lockout" in CAUTION


# Of what strangers say


def test_what_looks_like_a_page_stays_text_and_controls_are_gone() -> None:
    bad = "<img src=x onerror=alert(1)>\x1b[2J\x00\u202e\r\n<script>"
    heard = small_shop().say(f"gate/{bad}", gate("open", because=bad)).say(f"tool/{bad}", tool(bad, because=bad))
    heard.say("collector/main", collector("held", held=bad, because=bad))
    heard.say("alarm/x", {"because": bad, "next": bad, "since": bad})
    text = json.dumps(parts(heard), ensure_ascii=False)
    assert "<img src=x onerror=alert(1)>" in text
    assert not re.search("[\x00-\x1f\u202e]", text)


@pytest.mark.parametrize("name", ["W" * 64, "Größenänderung_žluťoučký_" + "ß" * 39, "漢" * 64])
def test_long_names_and_other_letters_stand_whole(name: str) -> None:
    heard = small_shop().say(f"gate/{name}", gate()).say(f"tool/{name}", tool(gates=[name]))
    found = parts(heard)[f"station:{name}"]
    assert found["title"] == name.replace("_", " ")
    assert found["spoken"].startswith(f"{name.replace('_', ' ')}: gate shut.")


_TIMES = st.sampled_from(
    ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00", stamp(NOON), "yesterday", ""]
)
_WORDS = st.sampled_from(["open", "running", "run_on", "silent", "held", "fault", "told", "kept", "time", "low", "on"])
_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=12) | _TIMES | _WORDS,
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=6), inside, max_size=3),
    max_leaves=6,
)
_KEYS = (
    *("state", "since", "because", "amps", "watts", "running", "start_amps", "stop_amps", "start_watts", "gates"),
    *("run_on_ends", "reading_at", "offline_since", "not_understood", "unheard", "known_by", "told_at", "by_hand"),
    *("hand", "hand_ends", "until", "until_because", "coast_down_until", "held", "held_by_stop", "hands", "switch"),
    *("motor", "switched", "reported_on", "drawing", "suction", "bin_full", "starts_per_hour", "starts_this_hour"),
    *("rhythm", "next", "acked", "collector"),
)
_BODIES = st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=12)
_PARTS = (
    "at",
    "kept",
    "recent",
    "value",
    "unit",
    "low",
    "high",
    "off",
    "baseline_of",
    "to",
    "answered",
    "topic",
    "key",
)
_NESTED = st.dictionaries(st.sampled_from(_PARTS), _VALUES, max_size=6)
_DEEPER = st.dictionaries(
    st.sampled_from(("switch", "motor", "switched", "suction", "not_understood", "rhythm")),
    _NESTED | st.lists(_NESTED, max_size=2),
    max_size=4,
)


@settings(max_examples=300, deadline=None)
@given(
    said=st.lists(
        st.tuples(
            st.sampled_from(["collector", "gate", "tool", "alarm"]),
            st.sampled_from(["main", "band_saw", "x.y.z", "", "\ud800", "a b"]),
            _BODIES | _VALUES,
            _DEEPER,
            st.booleans(),
        ),
        max_size=8,
    ),
    later=st.floats(min_value=-1e9, max_value=1e9),
    with_config=st.booleans(),
)
@example([("tool", "band_saw", {"state": "run_on", "run_on_ends": "9999-12-31T23:59:59-14:00"}, {}, False)], 0.0, True)
def test_whatever_is_heard_there_are_parts_of_it(
    said: list[tuple[str, str, Any, dict[str, Any], bool]], later: float, with_config: bool
) -> None:
    status = DaemonStatus("gatehand")
    status.connected()
    for kind, name, body, deeper, retained in said:
        payload = json.dumps({**body, **deeper} if isinstance(body, dict) else body).encode()
        status.hear(Message(f"gatehand/{kind}/{name}", payload, retained, NOON), NOON)
    status.hear(Message("gatehand/online", b"1", True, NOON), NOON)
    planned = Stations(("band_saw", "sweep"), {"band_saw": ["band_saw"], "": ["main"]}) if with_config else None
    found = parts_of(status, planned, NOON + later, NOON + later)
    json.dumps(found, allow_nan=False)
    assert found["reached"]["state"] in {"well", "lost", "nothing"}
    for name in status.gates:
        assert found[f"station:{name}"]["gate"] is True
    shown = {each["name"] for key, part in found.items() if key.startswith("station:") for each in part["tools"]}
    assert set(status.tools) <= shown
