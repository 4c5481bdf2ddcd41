"""What the page shows of each thing, in words: tests/phone/parts.txt, to be read; `pytest --rewrite-scenarios` anew."""

import json
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from parts_scenes import SCENES, SHOP, at_rest, by_hand, config_of, cutting, held, parts, running_on, wrong
from support.status_shop import NOON, Heard, alarm, collector, gate, large_shop, small_shop, stamp, tool, tool_of

from gatehand.phone.parts import CAUTION, LOST_AFTER, Part, Stations
from gatehand_rules.words import Measure

_ON_HOLD = "on hold (filter change), until a reset"
PICTURE = Path(__file__).parent / "parts.txt"


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def stations(tmp_path: Path) -> Stations:
    return Stations.of(config_of(tmp_path))


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


def test_a_hold_is_told_once_with_its_reason(stations: Stations) -> None:
    """The daemon's sentences, and one that does not say until when: then the fact does."""
    told = "collector is on hold (filter change), until somebody resets it; asked for by page"
    for because, facts in (
        (told, []),
        ("collector switched off, on hold (filter change)", [_ON_HOLD]),
        ("", [_ON_HOLD]),
    ):
        heard = at_rest().say("collector/main", collector("held", held="filter change", because=because))
        found = parts(heard, stations)["collector:main"]
        assert found["facts"] == facts
        assert "filter change" in found["spoken"]
        assert found["held"] is True
    again = at_rest().say("collector/main", collector("held", held="filter", because=told))  # a reason of its own
    assert parts(again, stations)["collector:main"]["facts"] == ["on hold (filter), until a reset"]


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
