"""Names, description, values and what may be asked, judged by the convention's text."""

import json
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.homie_convention import ID, faults

from gatehand.access_rights import users
from gatehand.config import Config, load_text
from gatehand.homie.description import Node, alerts, asked, changes, describe, ids, root, to_id, values
from gatehand.mqtt.payload import Rejected
from gatehand.shell.alarms import ShownAlarm
from gatehand.text import NAME
from gatehand_rules import Shop, initial, step
from gatehand_rules.events import BrokerConnected, Event, HandAsked, Reading, ResetAsked
from gatehand_rules.findings import Alarm

EXAMPLE = (Path(__file__).resolve().parents[2] / "config.example.toml").read_text()


def example(text: str = EXAMPLE) -> tuple[Config, Shop]:
    found = load_text(text, Path("config.toml"), files=False)
    assert found.config is not None
    assert found.shop is not None
    return found.config, found.shop


@given(st.lists(st.from_regex(NAME, fullmatch=True), unique=True, max_size=12))
def test_every_name_gets_an_id_of_its_own(names: list[str]) -> None:
    found = ids(names)
    assert list(found) == names
    assert len(set(found.values())) == len(names)
    assert all(ID.fullmatch(each) for each in found.values())  # "Topic IDs"


def test_names_that_come_to_the_same_are_told_apart() -> None:
    assert ids(["band_saw", "band-saw", "Band_Saw", "band-saw-2"]) == {
        "band_saw": "band-saw",
        "band-saw": "band-saw-2",
        "Band_Saw": "band-saw-3",
        "band-saw-2": "band-saw-2-2",
    }


@pytest.mark.parametrize(("name", "wanted"), [("__", "x"), ("shop/Gatehand", "shop-gatehand"), ("_a_", "a")])
def test_what_has_no_letter_gets_an_id_too(name: str, wanted: str) -> None:
    assert to_id(name) == wanted


def shown(config: Config, shop: Shop, *readings: Reading) -> dict[str, str]:
    """Everything that would be retained of a shop that has heard these readings."""
    state, now = initial(shop, 0.0), 0.0
    events: tuple[Event, ...] = (BrokerConnected(), *readings)
    for event in events:
        now += 1
        state = step(shop, state, event, now).state
    description = describe(config)
    base = root(config)
    found = {f"{base}/{topic}": payload for topic, payload in values(description, shop, state).items()}
    return found | {f"{base}/$description": description.as_json(7), f"{base}/$state": "ready"}


def test_the_examples_shop_is_a_device_that_the_convention_accepts() -> None:
    config, shop = example()
    readings = [Reading(tool.name, 0.1) for tool in shop.tools]
    assert faults(root(config), shown(config, shop, *readings)) == []


def test_the_demos_shop_is_one_too_with_a_reading_of_each_kind() -> None:
    config, shop = example((files("gatehand.demo") / "shop.toml").read_text("utf-8"))
    said = (
        Reading("band_saw", 6.44),
        Reading("jointer", 0.1),
        Reading("carving_router", 118.4),
        Reading("drum_sander", 1.0),
    )
    found = shown(config, shop, *said)
    base = root(config)
    assert faults(base, found) == []
    assert found[f"{base}/tool-band-saw/current"] == "6.4"
    assert found[f"{base}/tool-carving-router/power"] == "118"
    assert found[f"{base}/tool-drum-sander/running"] == "true"
    described = json.loads(found[f"{base}/$description"])["nodes"]
    assert described["tool-carving-router"]["properties"]["power"]["unit"] == "W"
    assert described["tool-drum-sander"]["properties"]["running"]["datatype"] == "boolean"


def test_the_judge_finds_what_is_wrong() -> None:
    """Else the test above could not fail."""
    config, shop = example()
    good = shown(config, shop, *(Reading(tool.name, 0.1) for tool in shop.tools))
    base = root(config)
    described = json.loads(good[f"{base}/$description"])
    described["nodes"]["gate-band_saw"] = described["nodes"].pop("gate-band-saw")
    spoilt: dict[str, dict[str, str]] = {
        "Topic IDs": {"$description": json.dumps(described)},
        "Device Lifecycle": {"$state": "alert"},
        "Payloads": {"gate-band-saw/hand": "TRUE"},
        "Device reconfiguration": {"gate-lathe/hand": "true"},
        "QoS and retained messages": {"gate-band-saw/hand/set": "true"},
        "Alert topic": {"$alert/band_saw": "x"},
    }
    for section, other in spoilt.items():
        bad = good | {f"{base}/{topic}": payload for topic, payload in other.items()}
        assert any(each.startswith(section) for each in faults(base, bad)), section


def test_a_reading_is_shown_as_what_it_measures_and_one_never_heard_has_no_value() -> None:
    config, shop = example()
    said = Reading("band_saw", 6.44), Reading("router", -0.3), Reading("drum_sander", 1.0)
    found = shown(config, shop, *said)
    base = root(config)
    assert found[f"{base}/tool-band-saw/current"] == "6.4"
    assert found[f"{base}/tool-router/power"] == "0", 'within its format "0:"'
    assert found[f"{base}/tool-drum-sander/running"] == "true"
    assert f"{base}/tool-jointer/current" not in found
    nodes = {node.id: set(node.properties) for node in describe(config).nodes}
    assert nodes["tool-router"] == {"state", "power"}
    assert nodes["tool-drum-sander"] == {"state", "running"}
    assert found[f"{base}/tool-band-saw/state"] in {"unknown", "running"}


def test_what_is_settable_is_the_hand_start_and_the_reset_and_nothing_else() -> None:
    config, _ = example()
    settable = {f"{node}/{name}" for node, name in describe(config).settable()}
    assert settable == {
        "collector-main/reset",
        *(f"gate-{gate}/hand" for gate in ("band-saw", "planing", "router", "sweep")),
    }


def test_a_reset_is_a_moment_and_not_retained() -> None:
    config, _ = example()
    reset = json.loads(describe(config).as_json(1))["nodes"]["collector-main"]["properties"]["reset"]
    # "Settable and retained properties": retained no, settable yes: "momentary events and can receive commands"
    assert (reset["settable"], reset["retained"], reset["datatype"], reset["format"]) == (True, False, "enum", "reset")


NODES: dict[tuple[str, str], Node] = {node.subject: node for node in describe(example()[0]).nodes}


@pytest.mark.parametrize(
    ("subject", "name", "payload", "event"),
    [
        (("gate", "band_saw"), "hand", b"true", HandAsked("band_saw", on=True)),
        (("gate", "band_saw"), "hand", b"false", HandAsked("band_saw", on=False)),
        (("collector", "main"), "reset", b"reset", ResetAsked("main")),
    ],
)
def test_a_set_becomes_an_event(
    subject: tuple[str, str], name: str, payload: bytes, event: HandAsked | ResetAsked
) -> None:
    assert asked(NODES[subject], name, payload, retained=False) == event


def test_a_retained_set_is_marked_so_that_the_rules_ignore_it() -> None:
    found = asked(NODES["gate", "sweep"], "hand", b"true", retained=True)
    assert found == HandAsked("sweep", on=True, retained=True)


@pytest.mark.parametrize("payload", [b"TRUE", b"1", b"", b" true", b"true\n", b"\xff", b"\0", b"on", b"reset", b"True"])
def test_a_hand_start_takes_the_conventions_booleans_only(payload: bytes) -> None:
    # "Boolean": case sensitive; "An empty string is not a valid payload"
    found = asked(NODES["gate", "sweep"], "hand", payload, retained=False)
    assert isinstance(found, Rejected)
    assert "want 'true' or 'false'" in found.why


@pytest.mark.parametrize("payload", [b"RESET", b"true", b"", b"reset "])
def test_a_reset_takes_its_one_word_only(payload: bytes) -> None:
    assert isinstance(asked(NODES["collector", "main"], "reset", payload, retained=False), Rejected)


def test_what_is_not_settable_asks_nothing() -> None:
    assert isinstance(asked(NODES["tool", "band_saw"], "state", b"running", retained=False), Rejected)


def test_alarms_are_alerts_and_two_that_come_to_one_id_share_it() -> None:
    found = alerts(
        [
            ShownAlarm(Alarm("gate", "a-b", "fault"), "Why.", "Do."),
            ShownAlarm(Alarm("gate", "a_b", "fault"), "Why else.", "Do more."),
        ]
    )
    assert found == {"$alert/gate-a-b-fault": "Why. Do. Why else. Do more."}  # "Alert topic"


def test_only_what_differs_is_published_and_what_is_gone_is_emptied() -> None:
    assert list(changes({"a": "1", "b": "1", "c": "1"}, {"a": "1", "b": "2", "d": "1"})) == [
        ("c", ""),
        ("b", "2"),
        ("d", "1"),
    ]


def test_the_access_list_knows_the_device_only_when_it_is_shown() -> None:
    off = {topic for user in users(example()[0]) for _, topic in user.rights}
    assert not any(topic.startswith("homie/") for topic in off)
    config, _ = example(EXAMPLE.replace("# enabled = false", "enabled = true"))
    rights = {user.name: {(str(right), topic) for right, topic in user.rights} for user in users(config)}
    tree = f"{root(config)}/#"
    assert ("readwrite", tree) in rights["gatehand"]
    assert ("read", tree) in rights["viewer"]
    assert ("write", f"{root(config)}/+/+/set") in rights["hands"]
    assert ("write", f"{root(config)}/+/+/set") not in rights["viewer"]
    assert not any(topic.startswith("homie/") for _, topic in rights["gate-band_saw"])
