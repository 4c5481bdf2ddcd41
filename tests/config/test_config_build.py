"""What the rules get: names, numbers and relations of the config, with what follows from the rest worked out."""

from pathlib import Path

import pytest
from msgspec.structs import fields

from gatehand.config import Loaded, load, load_text

GOOD = Path(__file__).parent / "good"


def loaded(name: str) -> Loaded:
    return load(GOOD / f"{name}.toml")


def test_defaults_of_the_config_are_the_rules_defaults() -> None:
    shop = loaded("smallest").shop
    assert shop is not None
    tool, gate, collector = shop.tools[0], shop.gates[0], shop.collectors[0]
    for described in (tool, gate, collector):
        for field in fields(described):
            name = field.name
            # What a device may say follows from the signals that are given; the rules take what they are told.
            if not field.required and name != "gates" and not name.startswith("tells_"):
                assert getattr(described, name) == field.default, name


def test_what_a_device_may_say_of_itself_follows_from_its_signals() -> None:
    silent, telling = loaded("smallest").shop, loaded("tells").shop
    assert silent is not None
    assert telling is not None
    for shop, said in ((silent, False), (telling, True)):
        tool, gate, collector = shop.tools[0], shop.gates[0], shop.collectors[0]
        assert {stop.tells_online for stop in shop.stops} == ({True} if said else set())
        assert {tool.tells_online, gate.tells_online, collector.tells_online, collector.tells_bin} == {said}


def test_the_stop_threshold_follows_from_the_start_threshold() -> None:
    config = loaded("smallest").config
    assert config is not None
    assert config.tool["saw"].stop_amps == pytest.approx(1.4)


def test_payloads_become_the_text_that_travels() -> None:
    config = loaded("smallest").config
    assert config is not None
    assert config.collector["main"].command.on == "1"
    command = config.gate["saw"].command
    assert command is not None
    assert (command.open, command.shut) == ("true", "false")


def test_a_gate_moved_by_hand_starts_the_fan_only_where_it_serves_no_tool() -> None:
    shop = loaded("by_hand").shop
    assert shop is not None
    assert {gate.name: (gate.commanded, gate.on_hand_open) for gate in shop.gates} == {
        "saw": (False, "ignore"),
        "sweep": (False, "start"),
    }


def test_each_thing_finds_its_collector() -> None:
    found = loaded("two_collectors")
    assert found.shop is not None
    assert found.config is not None
    assert {tool.name: tool.collector for tool in found.shop.tools} == {"saw": "main", "lathe": "shed"}
    assert {gate.name: gate.collector for gate in found.shop.gates} == {
        "saw_table": "main",
        "saw_hood": "main",
        "bench": "main",
        "lathe": "shed",
    }
    assert found.shop.stops[0].collectors == ("shed",)
    assert found.config.upkeep_collector("filter") == "main"


def test_a_stop_contact_stops_all_collectors_by_default(tmp_path: Path) -> None:
    text = (GOOD / "two_collectors.toml").read_text().replace('collectors = ["shed"]\n', "")
    shop = load_text(text, tmp_path / "c.toml").shop
    assert shop is not None
    assert shop.stops[0].collectors == ("main", "shed")


def test_every_number_of_the_config_reaches_the_shop(tmp_path: Path) -> None:
    """Set each to a value of its own, and find it in the shop under the same name, or under that of its threshold."""
    thresholds = {"running_amps": "turns_at", "start_amps": "start_at", "stop_amps": "stop_at"}
    told = {
        "collector": {
            "running_amps": 3.5,
            "spin_up": 4.5,
            "coast_down": 9.5,
            "refresh": 21.0,
            "min_open": 1,
            "max_open": 2,
            "starts_per_hour": 7,
        },
        "gate": {"travel": 1.75, "retries": 4, "hand_limit": 77.0},
        "tool": {
            "start_amps": 5.5,
            "stop_amps": 2.25,
            "start_after": 0.5,
            "stop_after": 0.75,
            "run_on": 11.5,
            "silent_after": 31.0,
            "run_limit": 99.0,
        },
    }
    lines = {kind: "".join(f"{key} = {value}\n" for key, value in values.items()) for kind, values in told.items()}
    text = f"""
[collector.main]
command = {{ topic = "c/set", on = "1", off = "0" }}
state = {{ topic = "c/state", on = "1", off = "0" }}
current = {{ topic = "c/amps" }}
bin_full = {{ topic = "bin", active = "1", clear = "0" }}
on_bin_full = "warn"
rest = "leave"
{lines["collector"]}
[gate.saw]
command = {{ topic = "g/saw/set", open = "open", shut = "shut" }}
state = {{ topic = "g/saw", open = "open", shut = "shut" }}
relief = true
on_hand_open = "start"
{lines["gate"]}
[tool.saw]
gates = ["saw"]
current = {{ topic = "t/saw" }}
{lines["tool"]}
"""
    loaded = load_text(text, tmp_path / "c.toml")
    assert loaded.problems == ()
    shop = loaded.shop
    assert shop is not None
    for kind, described in (("collector", shop.collectors[0]), ("gate", shop.gates[0]), ("tool", shop.tools[0])):
        assert {key: getattr(described, thresholds.get(key, key)) for key in told[kind]} == told[kind]
    collector, gate = shop.collectors[0], shop.gates[0]
    assert (collector.reports, collector.senses_motor) == (True, True)
    assert (collector.on_bin_full, collector.rest) == ("warn", "leave")
    assert (gate.reports, gate.relief, gate.on_hand_open) == (True, True, "start")
