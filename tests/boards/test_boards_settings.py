"""What a settings file holds, read by the boards' program; and what that says, read by the daemon as it was meant."""

import ast
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from our_boards import BOARDS, BROKER, ROOT, board_settings, boards_modules, config_of, made_of, program, shops

from gatehand.boards.devices import devices
from gatehand.boards.owners import FILES, WITH_CLAMP, WITH_TLS, changes, merged, programs, to_fill_in, too_slow
from gatehand.boards.refused import refusals
from gatehand.boards.settings import broker_of, numeric, settings_of
from gatehand.config import Config, load
from gatehand.config.signals import Meter, Signal
from gatehand.mqtt.payload import MeasuredAt, Reader
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, OpenGate, ShutGate
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Position

GATE = """
[collector.main]
command = { topic = "shop/collector/set", on = "1", off = "0" }
[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
button = { topic = "shop/gate/band_saw/button", pressed = "1" }
"""
KEYS = [
    *("role", "wifi", "broker", "hardware", "ssid", "password", "tls", "server_name", "pins", "clamp", "saw", "main"),
    *("username", "host", "degrees_per_s", "open_angle", "settle_ms", "servo", "relay", "inputs", "set", "note"),
]
DRAWN = settings(max_examples=25)


def file_of(config: Config, login: str) -> dict[str, Any]:
    (device,) = (one for one in devices(config) if one.login == login)
    return settings_of(config, device, BROKER)


def board_signals(table: dict[str, Any]) -> dict[str, Any]:
    """The signals of a settings file as the board has them, by the topic."""
    read = board_settings(table)
    with boards_modules() as module:
        board = module("board")
        found = [read.signal(key) for key in ("set", "state", "button", "amps", "online") if key in table]
        found += [board.Signal(board.Settings(one)) for one in table.get("inputs", ())]
    return {one.topic: one for one in found}


MEANT: dict[str, Any] = {"open": Position.OPEN, "shut": Position.SHUT, "on": True, "off": False}
MEANT |= {"active": True, "clear": False, "pressed": True, "released": False}


def meant(signal: Signal, word: str) -> ev.Event | None:
    """The event that a word of a signal stands for; written down apart from the daemon's own reader."""
    name, value = signal.name, MEANT[word]
    match signal.kind, signal.key:
        case _, "online":
            return ev.DeviceOnline(signal.kind, name, value)
        case "gate", "button":
            return ev.ButtonPressed(name)
        case "gate", _:
            return ev.GateReport(name, value)
        case "stop", _:
            return ev.StopReport(name, value)
        case "collector", "state":
            return ev.CollectorReport(name, value)
        case "collector", "bin_full":
            return ev.BinReport(name, value)
        case "collector", "reset":
            return ev.ResetButton(name, value)
        case kind, _:
            return (ev.Reading if kind == "tool" else ev.CollectorReading)(name, CLOSED if value else 0.0)


@DRAWN
@given(shops)
def test_every_word_that_a_board_says_is_the_event_that_the_config_means(config: Config) -> None:
    words, said = ("open", "shut", "on", "off", "active", "clear", "pressed", "released"), 0
    for device, table in made_of(config):
        signals = [one for one in (*device.signals, *of_online(config, device.login)) if one.heard is not None]
        on_board = board_signals(table)
        for signal in signals:
            for word in (each for each in words if hasattr(signal.table, each)):
                payload = on_board[signal.topic].payload(on_board[signal.topic].word(word))
                (event,) = Routes(config).events(signal.topic, payload, retained=False, now=1.0) or (None,)
                assert event == meant(signal, word), (signal, payload)
                said += 1
    assert said


def of_online(config: Config, login: str) -> list[Signal]:
    (device,) = (one for one in devices(config) if one.login == login)
    own = [one for one in config.signals() if (one.kind, one.name, one.key) == (device.kind, device.name, "online")]
    return [] if device.is_apart else own


@DRAWN
@given(shops)
def test_every_current_that_a_board_says_is_the_reading_that_was_measured(config: Config) -> None:
    for device, table in made_of(config):
        signal = device.signal("current")
        if signal is None:
            continue
        assert isinstance(signal.table, Meter)
        amps, on_board = 6.4, board_signals(table)[signal.topic]
        with boards_modules():
            scale = on_board.settings.get("scale", float, 1.0)
            at = on_board.settings.get("at", list)
        payload = on_board.payload(amps / scale, {} if at is None else {at[-1]: 123456, "n": 17})
        (event,) = Routes(config).events(signal.topic, payload, retained=False, now=1.0) or (None,)
        assert event == (ev.Reading if signal.kind == "tool" else ev.CollectorReading)(signal.name, amps)
        if signal.table.at is not None:
            assert Reader(signal.table.at).read_moment(payload) == MeasuredAt(123456.0)


@DRAWN
@given(shops)
def test_a_board_hears_every_command_as_it_was_meant_and_every_question(config: Config) -> None:
    encoder = CommandEncoder(config)
    for device, table in made_of(config):
        on_board = board_signals(table)
        for kind, word in ((OpenGate, "open"), (ShutGate, "shut"), (CollectorOn, "on"), (CollectorOff, "off")):
            if device.signal("command") is None or (kind in {OpenGate, ShutGate}) != (device.kind == "gate"):
                continue
            made: Any = kind
            (command,) = (one for one in (encoder.message(made(device.name)),) if one is not None)
            assert on_board[command.topic].word(word).encode() == command.payload
        for signal in device.signals:
            if signal.poll is not None and not signal.is_press:
                question = (on_board[signal.topic].poll_topic, on_board[signal.topic].poll_payload)
                assert question == (signal.poll.topic, signal.poll.payload.encode())


@pytest.mark.parametrize("file", ["config.example.toml", "daemon/gatehand/demo/shop.toml"])
def test_the_shops_that_we_ship_have_boards_of_every_kind_that_they_name(file: str) -> None:
    config = load(ROOT / file, files=False).config
    assert config is not None
    made = {device.login: table for device, table in made_of(config)}
    assert {"collector-main", "gate-band_saw", "tool-band_saw"} <= made.keys()
    for table in made.values():
        assert board_signals(table)
        assert program(table).signals


@DRAWN
@given(shops)
def test_every_board_of_a_drawn_shop_is_taken_by_the_program_of_its_role(config: Config) -> None:
    for _, table in made_of(config):
        role = program(table)
        assert table["role"] == role.NAME
        if table["role"] != "contact":
            assert role.signals.keys() <= {"set", "state", "button", "amps"}


@DRAWN
@given(shops)
def test_no_two_boards_say_who_they_are_on_one_topic_nor_where_the_config_has_something(config: Config) -> None:
    every = devices(config)
    abouts, onlines = [one.about for one in every], [one.online for one in every if one.given_online is None]
    used = [one.topic for one in config.signals()]
    assert len({*abouts, *onlines, *used}) == len({*abouts}) + len(onlines) + len({*used})
    assert len({*abouts}) == len({one.login for one in every}) == len(every)


@DRAWN
@given(shops)
def test_taking_up_the_proposed_online_changes_nothing_else(config: Config) -> None:
    for device, table in made_of(config):
        if not device.may_have_online or device.given_online is not None:
            continue
        online = {"topic": device.online, "active": "1", "clear": "0"}
        raw = config.model_dump(mode="json", exclude_unset=True)
        raw[device.kind][device.name]["online"] = online
        again = {one.login: made for one, made in made_of(Config.model_validate(raw))}
        assert again[device.login] == table


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 300) | st.floats(allow_nan=False) | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6),
    max_leaves=12,
)
WHOLE = st.dictionaries(st.sampled_from(KEYS), ANYTHING, max_size=12)


@settings(max_examples=50)
@given(shops, WHOLE, st.booleans())
def test_whatever_stands_in_a_file_it_is_written_once_and_its_owners_part_is_kept(
    config: Config, old: dict[str, Any], has_login: bool
) -> None:
    for device in devices(config):
        if device.role is None:
            continue
        made = settings_of(config, device, BROKER)
        once = merged(made, old, None, has_login=has_login)
        again = merged(made, json.loads(json.dumps(once)), None, has_login=has_login)
        assert again == once
        assert changes(once, again) == []
        assert {key: once[key] for key in made if key != "broker"} == {k: made[k] for k in made if k != "broker"}
        assert once["broker"] | made["broker"] == once["broker"]
        changes(old, once)
        to_fill_in(once)
        too_slow(once)
        if old.get("role", made["role"]) == made["role"] and isinstance(old.get("hardware"), dict):
            flat = {key: value for key, value in old["hardware"].items() if key not in {"pins", "clamp"}}
            assert all(once["hardware"][key] == value for key, value in flat.items())
        if isinstance(old.get("wifi"), dict):
            assert {**once["wifi"], **old["wifi"]} == once["wifi"]
        assert {*old} <= {*once} | {"set", "state", "button", "amps", "inputs", "travel_ms", "limit_ms"}


def test_a_change_is_told_by_what_was_and_what_is_and_a_password_never() -> None:
    old = {"path": [], "set": {"on": "1", "topic": "a"}, "password": "old", "gone": 1, "tls": None}
    new = {"path": ["é"], "set": {"on": "on", "topic": "a"}, "password": "new", "come": {"a": 1}}
    assert changes(old, new) == [
        'path [] -> ["é"]',
        'set.on "1" -> "on"',
        "password changed",
        "come added",
        "gone removed",
    ]
    assert changes({"path": []}, {"path": ["x" * 80]}) == [f'path [] -> ["{"x" * 55}...']
    assert changes({}, {"password": "new"}) == ["password added"]
    assert changes({"password": "old"}, {"password": ""}) == ["password removed"]


@pytest.mark.parametrize(("refresh", "limit"), [(20, 50_000), (30, 75_000), (2, 5000), (1, 5000), ("1 min", 150_000)])
def test_a_switch_goes_off_after_two_and_a_half_refreshes_and_never_before_5_s(refresh: object, limit: int) -> None:
    text = GATE.replace("[gate", f"refresh = {json.dumps(refresh)}\n[gate")
    assert file_of(config_of(text), "collector-main")["limit_ms"] == limit


def test_one_question_about_state_and_current_is_answered_by_the_state() -> None:
    poll = 'poll = { topic = "shop/ask", payload = "?" }'
    more = f'state = {{ topic = "shop/fan/state", on = "1", off = "0", {poll} }}\n'
    more += f'current = {{ topic = "shop/fan/amps", {poll} }}\n[gate'
    made = file_of(config_of(GATE.replace("[gate", more, 1)), "collector-main")
    assert made["state"]["poll"] == {"topic": "shop/ask", "payload": "?"}
    assert "poll" not in made["amps"]


def test_a_board_keeps_the_topics_of_its_table_and_what_it_says_besides_stands_beside_them() -> None:
    made = file_of(config_of(GATE), "gate-band_saw")
    assert made["set"] == {"topic": "shop/gate/band_saw/set", "open": "open", "shut": "shut"}
    assert made["about"] == {"topic": "shop/gate/band_saw/about"}
    assert made["online"] == {"topic": "shop/gate/band_saw/online", "active": "1", "clear": "0", "path": []}
    assert made["broker"] | {"tls": None} == made["broker"]
    assert made["broker"]["client_id"] == "gate-band_saw"
    assert made["travel_ms"] == 1500


def test_what_another_device_says_is_never_taken_for_a_boards_own() -> None:
    other = (
        '[tool.saw]\ngates = ["band_saw"]\nrunning = { topic = "shop/gate/band_saw/LAST", active = "1", clear = "0" }'
    )
    given = GATE + 'online = { topic = "shop/here", active = "1", clear = "0" }\n'

    def home(text: str, last: str) -> str:
        made = file_of(config_of(text + other.replace("LAST", last)), "gate-band_saw")
        return str(made["about"]["topic"].removesuffix("/about"))

    assert home(GATE, "running") == "shop/gate/band_saw"
    assert home(GATE, "about") == home(GATE, "online") == home(given, "about") == "shop/gate/band_saw/set"
    assert home(given, "online") == "shop/gate/band_saw"
    below = other.replace("LAST", "set/about") + "\n" + other.replace("LAST", "about").replace("[tool.saw]", "[tool.b]")
    assert home(GATE + below.replace("tool.saw", "tool.c") + "\n", "running") == "shop/gate/band_saw/set/board"


def test_no_board_speaks_where_the_daemon_does() -> None:
    base = '[broker]\nbase = "shop/gate/band_saw/about"\n'
    assert file_of(config_of(base + GATE), "gate-band_saw")["about"]["topic"] == "shop/gate/band_saw/set/about"


REFUSED = {
    # what is changed in GATE: the key at fault, a part of what is said
    "refresh": ('"0" }\n[gate', '"0" }\nrefresh = 0\n[gate', "collector.main.refresh", "refresh = 20"),
    "a limit beyond a day": ('"0" }\n[gate', '"0" }\nrefresh = "9 h 37 min"\n[gate', "main.refresh", "more than a day"),
    "a list": ('button", pressed', 'button", pointer = "/a/0", pressed', "button.pointer", 'only, such as "/value"'),
    "the whole as JSON": ('button", pressed', 'button", pointer = "", pressed', "button.pointer", "leave pointer out"),
    "pressed for too long": ('pressed = "1"', 'pressed = "stuck"', "button.pressed", "another word"),
    "too long a word": ('pressed = "1"', f'pressed = "{"x" * 61}"', "button.pressed", "60 bytes"),
    "too much in all": (
        'button = { topic = "shop/gate/band_saw/button", pressed = "1" }',
        (
            f'button = {{ topic = "{"b" * 199}", pressed = "1" }}\n'
            f'state = {{ topic = "{"s" * 199}", open = "{"é" * 30}", shut = "{"è" * 30}" }}\n'
            f'online = {{ topic = "{"o" * 199}", active = "{"é" * 30}", clear = "{"è" * 30}" }}'
        ),
        "gate.band_saw",
        "room for 2 kB",
    ),
    "too long a topic": ("shop/gate/band_saw/button", "shop/" + "g" * 200, "gate.band_saw.button", "200 bytes"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_no_board_can_do_is_refused_and_says_where(name: str) -> None:
    before, after, key, text = REFUSED[name]
    assert before in GATE
    found = refusals(config_of(GATE.replace(before, after)))
    assert [one for one in found if ".".join(map(str, one.path)).endswith(key) and text in one.text], found
    assert not refusals(config_of(GATE.replace('"0" }\n[gate', '"0" }\nrefresh = "9 h 36 min"\n[gate')))


STATE = 'state = { topic = "shop/gate/band_saw/state", pointer = "/at/end", open = "up", shut = "down" }\n'
TOOL = """
[tool.band_saw]
gates = ["band_saw"]
start_amps = 2.5
"""
MORE_REFUSED = [
    (STATE.replace('"up"', '"moving"'), "state.open", "neither"),
    (STATE.replace("/state", "/button").replace("/at/end", "/b"), "button.topic", "one for each"),
    (TOOL + 'current = { topic = "a/b", pointer = "/a/amps", at = "/time" }', "current.at", 'beside "/a/amps"'),
    (TOOL + 'current = { topic = "a/b", pointer = "/amps", at = "/n" }', "current.at", "another name"),
    (TOOL + 'current = { topic = "a/b", pointer = "/amps", at = "/t/3" }', "current.at", "place 3"),
    (TOOL + 'current = { topic = "a/b", scale = 1e-9 }', "current.scale", "divided"),
    (TOOL + 'current = { topic = "a/b", scale = -1 }', "current.scale", "divided"),
    (
        TOOL + 'current = { topic = "a/b" }\nonline = { topic = "a/b", active = "1", clear = "0" }',
        "online.topic",
        "too",
    ),
]


@pytest.mark.parametrize(("more", "key", "text"), MORE_REFUSED)
def test_what_a_board_cannot_say_is_refused_and_says_where(more: str, key: str, text: str) -> None:
    found = [one for one in refusals(config_of(GATE + more)) if one.is_ours]
    assert [one for one in found if ".".join(map(str, one.path)).endswith(key) and text in one.text], found


POLL = 'poll = { topic = "a/c", payload = "?" }'


@pytest.mark.parametrize(
    "more",
    [
        '[tool.router]\ngates = ["band_saw"]\nstart_watts = 180\npower = { topic = "shop/router/plug" }',
        '[collector.main]\npower = { topic = "shop/fan/watts" }',
        '[collector.main]\nsuction = { topic = "shop/fan/inlet", unit = "Pa" }',
        f'[collector.main]\nreset = {{ topic = "a/b", pressed = "1", released = "0", {POLL} }}',
        f'[collector.main]\nonline = {{ topic = "a/b", active = "1", clear = "0", {POLL} }}',
    ],
)
def test_what_needs_another_device_is_left_out_and_does_not_stand_in_the_way(more: str) -> None:
    text = GATE.replace("[collector.main]\n", f"{more}\n") if more.startswith("[collector") else GATE + more
    config = config_of(text)
    (only,) = refusals(config)
    assert not only.is_ours
    assert only.path[0] in {"tool", "collector"}
    assert {"collector-main", "gate-band_saw"} <= {device.login for device, _ in made_of(config)}


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "localhost", "shop.local", "0.0.0.0", "::1", "224.0.0.1", "1.2.3", "", "1"],  # noqa: S104
)
def test_a_name_and_this_computers_own_address_are_no_address_for_a_board(host: str) -> None:
    assert numeric(host) is None


def test_a_broker_with_a_certificate_is_known_by_the_name_in_it() -> None:
    text = GATE + '[broker]\nhost = "HOST"\nport = 8883\ntls = { ca_file = "own.pem" }\n'
    by_name = broker_of(config_of(text.replace("HOST", "broker.shop")), "192.168.1.10")
    assert (by_name.host, by_name.port) == ("192.168.1.10", 8883)
    assert by_name.tls == {"ca_file": "ca.pem", "server_name": "broker.shop", "time_server": None}
    for own in ("127.0.0.1", "localhost", "::1"):
        assert broker_of(config_of(text.replace("HOST", own)), "192.168.1.10").tls == {
            "ca_file": "ca.pem",
            "server_name": None,
            "time_server": None,
        }
    assert broker_of(config_of(GATE), "192.168.1.10").tls is None


def imports(file: Path) -> set[str]:
    """The files of deploy/boards that this one imports, at once or later."""
    names = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            names.add(node.module)
    return {f"{name}.py" for name in names if (BOARDS / f"{name}.py").exists()}


@pytest.mark.parametrize("role", FILES)
def test_the_files_that_are_named_for_a_role_are_all_that_it_loads(role: str) -> None:
    found, wanted = set[str](), {"main.py", f"{role}.py"}
    while wanted - found:
        found |= wanted
        wanted = {one for each in found for one in imports(BOARDS / each)}
    assert found == {*FILES[role], *WITH_TLS, *(WITH_CLAMP if role == "switch" else ())} - {"calibrate.py"}
    # Calibration is run by hand.
    assert {*FILES[role]} - found <= {"calibrate.py"}
    encrypted = {"role": "switch", "amps": {}, "broker": {"tls": {}}}
    assert {*programs(encrypted)} == {*FILES["switch"], *WITH_CLAMP, *WITH_TLS}
    assert {*programs({"role": "switch", "broker": {"tls": None}})} == {*FILES["switch"]}
