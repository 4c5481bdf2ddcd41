"""Boards of every role are known by what they say of themselves: to `listen` and `init`, and back to the same files."""

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from our_boards import about, config_of, made_of, shops
from support.micropython import micropython_program
from support.mosquitto import Mosquitto
from support.recorder import Observer

from gatehand.boards.refused import LONGEST_ABOUT, refusals
from gatehand.cli import main
from gatehand.config import Config
from gatehand.first_config.boards import LONGEST, Board, board, tables
from gatehand.first_config.draft import Draft, Table, add_stop, board_lines
from gatehand.first_config.questions import SignalAnswer
from gatehand.first_config.script import script
from gatehand.first_config.steps import Ask, Connect, Given, Manner, Quiet, RhythmOf, Step, Try
from gatehand.text import toml_text

SHOP = """
[collector.main]
command = { topic = "shop/switch/main/set", on = "1", off = "0" }
state = { topic = "shop/switch/main/state", on = "1", off = "0", poll = { topic = "shop/ask", payload = "?" } }
current = { topic = "shop/switch/main/amps", pointer = "/amps", at = "/at" }
bin_full = { topic = "shop/bin/main/full", active = "1", clear = "0" }
reset = { topic = "shop/reset/main/button", pressed = "down", released = "up" }
refresh = 30
coast_down = 8

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "auf", shut = "zu" }
state = { topic = "shop/gate/band_saw/state", pointer = "/blade/at", open = "open", shut = "shut" }
button = { topic = "shop/gate/band_saw/button", pressed = "1" }
online = { topic = "shop/gate/band_saw/here", active = "yes", clear = "no" }
travel = 2.5

[gate.sweep]
state = { topic = "shop/gate/sweep/state", open = "open", shut = "shut" }

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/sensor/band_saw/amps", pointer = "/amps", at = "/at", scale = 0.001 }
start_amps = 2.5

[tool.drum_sander]
gates = ["band_saw"]
running = { topic = "shop/contact/drum_sander/state", active = "1", clear = "0" }

[stop.emergency]
topic = "shop/estop"
pointer = "/pushed"
active = "true"
clear = "false"
poll = { topic = "shop/estop/ask", payload = "now" }
"""


def announced(config: Config) -> list[Board]:
    """The boards of a shop, by what each says of itself."""
    found = [board(*about(table)) for _, table in made_of(config)]
    assert all(found)
    return [one for one in found if one is not None]


def settled(config: Config) -> dict[str, Any]:
    """Every board's settings, by its folder."""
    return {device.login: table for device, table in made_of(config)}


def drafted(boards: Sequence[Board], like: Config) -> str:
    """A config of what boards say; from `like` only what no board can know."""
    made = Draft()
    by_name: dict[tuple[str, str], Table] = {}
    for one in boards:
        for kind, name, lines in tables(one):
            table = by_name.get((kind, name)) or by_name.setdefault((kind, name), made.table(kind, name))
            for key, value in lines.items():
                if key == "contact" and isinstance(value, SignalAnswer):
                    add_stop(table, value)
                else:
                    table.add(key, value)
    for (kind, name), table in by_name.items():
        if kind == "tool":
            of = like.tool[name]
            table.add("gates", [*of.gates])
            table.add("start_amps", of.start_amps)
    return made.text()


def test_a_config_drafted_from_what_boards_say_gives_the_same_settings_again() -> None:
    config = config_of(SHOP)
    again = config_of(drafted(announced(config), config))
    assert len(settled(config)) == 8
    assert settled(again) == settled(config)


@settings(max_examples=25)
@given(shops)
def test_whatever_the_words_and_pointers_the_draft_gives_the_same_settings_again(config: Config) -> None:
    assume(not any(one.is_ours for one in refusals(config)))
    assert settled(config_of(drafted(announced(config), config))) == settled(config)


@settings(max_examples=25)
@given(shops)
def test_what_a_board_says_of_itself_has_room_in_it(config: Config) -> None:
    for _, table in made_of(config):
        topic, payload = about(table)
        assert len(topic.encode()) + len(payload) < LONGEST_ABOUT + 200 < LONGEST


ODD = ("aé", "🪚 b", 'c"\\', "d/~", "\tx", "\x01x")
READ = """
import json
with open("settings.json") as opened:
    print(json.dumps(json.load(opened)))
"""


def test_micropython_reads_the_very_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = iter(ODD)
    text = SHOP
    for before in ('"auf"', '"zu"', '"down"', '"up"', '"yes"', '"no"'):
        text = text.replace(before, toml_text(next(words)))
    (tmp_path / "config.toml").write_text(text)
    where = ["--config", str(tmp_path / "config.toml"), "--out", str(tmp_path), "--broker", "192.168.1.10"]
    assert main(["boards", *where]) == 0
    capsys.readouterr()
    for login in ("gate-band_saw", "reset-main", "collector-main", "stop-emergency"):
        done = subprocess.run(  # noqa: S603
            [micropython_program(), "-c", READ], cwd=tmp_path / login, capture_output=True, check=True, timeout=60
        )
        assert json.loads(done.stdout) == json.loads((tmp_path / login / "settings.json").read_bytes())


def test_a_board_that_says_topics_alone_has_the_usual_words() -> None:
    body = {"gatehand_board": 1, "role": "contact", "name": "emergency", "topics": {"state": "shop/estop"}}
    found = board("shop/about", json.dumps(body).encode())
    assert found is not None
    assert found.contact("stop", "emergency") == SignalAnswer("shop/estop", words={"active": "1", "clear": "0"})
    inputs = [
        {"kind": "closed", "name": "emergency", "topic": "shop/estop"},
        {"kind": "open", "name": "drum_sander", "topic": "shop/drum"},
        {"kind": "button", "name": "main", "topic": "shop/reset"},
        {"kind": "lever", "name": "main", "topic": "shop/odd"},
        {"kind": "open", "name": "odd", "topic": "shop/+"},
        "odd",
    ]
    several = board("shop/about", json.dumps({**body, "inputs": inputs}).encode())
    assert several is not None
    assert [(kind, name, [*lines]) for kind, name, lines in tables(several)] == [
        ("stop", "emergency", ["contact"]),
        ("tool", "drum_sander", ["running"]),
        ("collector", "main", ["reset"]),
    ]


@pytest.mark.parametrize(
    "odd",
    [
        {"signals": {"state": {"open": 3, "path": "x", "poll": {"topic": "#"}}}},
        {"signals": [1], "inputs": {"a": 1}, "travel_ms": "long"},
        {"signals": {"state": {"path": [1], "at": [], "scale": float("inf")}}, "travel_ms": -1},
    ],
)
def test_what_makes_no_sense_in_it_counts_as_not_said(odd: dict[str, Any]) -> None:
    body = {"gatehand_board": 1, "role": "gate", "name": "saw", "topics": {"set": "a/set", "state": "a/state"}}
    plain, found = (board("a/about", json.dumps({**body, **more}).encode()) for more in ({}, odd))
    assert found is not None
    assert plain is not None
    assert [*tables(found)] == [*tables(plain)]


def test_a_gate_without_a_command_is_moved_by_hand_and_a_board_of_several_contacts_has_no_online_of_its_own() -> None:
    boards = announced(config_of(SHOP))
    by_name = {(kind, name, *lines): lines for one in boards for kind, name, lines in tables(one)}
    assert ("gate", "sweep", "state", "online") in by_name
    assert ("collector", "main", "command", "state", "current", "refresh", "online") in by_name
    assert ("collector", "main", "bin_full") in by_name
    assert ("tool", "drum_sander", "running", "online") in by_name
    assert ("stop", "emergency", "contact", "online") in by_name


def answers_of(step: Step, boards: list[Board]) -> Any:  # noqa: ANN401 - what the step wants
    """Somebody who takes what is proposed, lets nothing be tried, and types what is asked for."""
    match step:
        case Quiet():
            return boards
        case Given() | Connect():
            return None
        case RhythmOf():
            return Manner(None, kept=True)
        case Try():
            return []
        case Ask(key=key, read=read, suggestion=suggestion):
            typed = {
                "gates": "band saw, sweep",
                "tools": "band saw, drum sander",
                "tool.band_saw.gates": "band_saw",
                "tool.drum_sander.gates": "band_saw",
                "tool.band_saw.sensor": '{ topic = "shop/sensor/band_saw/amps", pointer = "/amps" }',
                "collector.main.motor": '{ topic = "shop/switch/main/amps", pointer = "/amps" }',
                "tool.band_saw.start": "2.5",
                "collector.main.turns_at": "2",
            }
            assert not key.endswith((".board", ".travel", ".trial", ".bin", ".reset", ".contact")), key
            return read(typed.get(key, suggestion or ""))
    return None


def test_init_takes_what_boards_say_without_asking_for_a_topic(tmp_path: Path) -> None:
    config = config_of(SHOP)
    boards, steps, answer = announced(config), script(tmp_path), None
    try:
        while True:
            answer = answers_of(steps.send(answer), boards)
    except StopIteration as ended:
        draft: Draft = ended.value
    assert draft.unfinished == []
    found = config_of(draft.text())
    onlines = [(one.kind, one.name) for one in found.signals() if one.key == "online"]
    assert {("stop", "emergency"), ("tool", "drum_sander"), ("collector", "main")} <= {*onlines}
    assert settled(config_of(draft.text())) == settled(config)


@pytest.mark.broker
def test_listen_shows_each_board_with_its_lines_and_not_what_it_says_of_itself(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    config = config_of(SHOP)
    with Observer(broker.port, "#") as other:
        for _, table in made_of(config):
            topic, payload = about(table)
            other.publish(topic, payload.decode(), qos=1, retain=True)
        other.publish("shop/about", '{"gatehand_board": 2}', qos=1, retain=True)
        where = ["listen", "--broker", f"127.0.0.1:{broker.port}", "--for", "0.5s"]
        assert main([*where, "--json"]) == 0
        facts = json.loads(capsys.readouterr().out)
        assert main(where) == 0
        shown = capsys.readouterr().out
    assert [(one["role"], one["name"]) for one in facts["boards"]] == [
        *(("contact", name) for name in ("drum_sander", "emergency", "main", "main")),
        *(("gate", name) for name in ("band_saw", "sweep")),
        ("sensor", "band_saw"),
        ("switch", "main"),
    ]
    assert [one["topic"] for one in facts["topics"]] == ["shop/about"]
    lines = [line for one in announced(config) for line in board_lines(one)]
    assert all(f"  {line}\n" in shown for line in lines)
    assert "A board with Gatehand's programs: gate band_saw (shop/gate/band_saw/about)" in shown
    assert "contact main (bin_full)" in shown


@pytest.mark.broker
def test_listen_gives_no_lines_for_a_board_that_the_config_has(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("config.toml").write_text(SHOP)
    other = config_of(SHOP.replace("sweep", "bench"))
    with Observer(broker.port, "#") as person:
        for _, table in made_of(other):
            topic, payload = about(table)
            person.publish(topic, payload.decode(), qos=1, retain=True)
        assert main(["listen", "--broker", f"127.0.0.1:{broker.port}", "--for", "0.5s", "--json"]) == 0
    boards = json.loads(capsys.readouterr().out)["boards"]
    assert [one["name"] for one in boards if one["lines"]] == ["bench"]
