"""The access list of deploy/, against a real Mosquitto: each may do what is his, and no more."""

import json
from collections.abc import Iterator

import pytest
from broker_people import ROOT, Person, deployed, people, write_passwords
from support.child import wait_until
from support.mosquitto import Mosquitto

from gatehand.access_rights import Right, access_list, users
from gatehand.cli import main
from gatehand.config import Config, load, load_text

pytestmark = pytest.mark.broker

SET = "shop/gate/band_saw/set"
EXAMPLE = (ROOT / "config.example.toml").read_text()
ALLOW = '# allow = ["hand", "hold", "reset"] '


def example(allow: str = "") -> Config:
    """The example config, with `[page] allow`."""
    assert ALLOW in EXAMPLE
    config = load_text(EXAMPLE.replace(ALLOW, f"allow = [{allow}] "), ROOT / "config.example.toml", files=False).config
    assert config is not None
    return config


@pytest.fixture(params=['"hand", "reset"'])
def broker(request: pytest.FixtureRequest) -> Iterator[Mosquitto]:
    everybody = users(example(request.param))
    broker = Mosquitto(listens=False)
    acl = broker.folder / "gatehand.acl"
    acl.write_text(access_list(everybody))
    write_passwords(broker.folder / "gatehand.passwd", [user.name for user in everybody])
    broker.configure(deployed(broker.folder, broker.port))
    with broker as running:
        yield running


def heard_by_the_gate(broker: Mosquitto, speaker: str, topic: str, payload: str) -> list[tuple[str, bytes]]:
    """What the band saw's gate hears of a message, in order, with the daemon's own word after it as the end mark."""
    with people(broker.port, "gate-band_saw", speaker, "gatehand") as (gate, other, daemon):
        gate.listen(SET)
        other.say(topic, payload)
        daemon.say(SET, "shut")
        wait_until(lambda: (SET, b"shut") in gate.heard)
        return gate.heard


def test_the_daemon_commands_a_gate(broker: Mosquitto) -> None:
    assert heard_by_the_gate(broker, "gatehand", SET, "open") == [(SET, b"open"), (SET, b"shut")]


@pytest.mark.parametrize(
    "speaker", ["viewer", "hands", "page", "gate-router", "tool-band_saw", "stop-emergency", "gate-band_saw"]
)
def test_nobody_else_commands_a_gate(broker: Mosquitto, speaker: str) -> None:
    assert heard_by_the_gate(broker, speaker, SET, "open") == [(SET, b"shut")]


def test_a_login_that_is_not_known_and_none_at_all_are_refused(broker: Mosquitto) -> None:
    for name in ("somebody", None):
        person = Person(broker.port, name)
        assert person.refused == "Not authorized", name
        person.leave()


@pytest.mark.parametrize(
    ("speaker", "topic", "arrives"),
    [
        ("tool-band_saw", "shop/band_saw/amps", True),
        ("tool-band_saw", "shop/jointer/amps", False),
        ("tool-band_saw", "shop/estop", False),
        ("stop-emergency", "shop/estop", True),
        ("hands", "gatehand/gate/sweep/hand", True),
        ("hands", "gatehand/collector/main/reset", True),
        ("viewer", "gatehand/collector/main/reset", False),
        ("page", "gatehand/gate/sweep/hand", True),
        ("page", "gatehand/collector/main/reset", True),
        ("page", "gatehand/collector/main/hold", False),  # `allow` does not name it
        ("page", "gatehand/collector/main/off", False),
        ("page", "gatehand/reload", False),
        ("page", "gatehand/alarm/stop.emergency.active/ack", False),
        ("page", "shop/estop", False),
        ("gate-band_saw", "gatehand/gate/sweep/hand", False),
    ],
)
def test_a_device_speaks_on_its_own_topics_only(broker: Mosquitto, speaker: str, topic: str, arrives: bool) -> None:
    with people(broker.port, "gatehand", speaker) as (daemon, other):
        daemon.listen(topic)
        daemon.listen("gatehand/end")
        other.say(topic, "1")
        daemon.say("gatehand/end", "1")
        wait_until(lambda: ("gatehand/end", b"1") in daemon.heard)
        assert ((topic, b"1") in daemon.heard) is arrives


def test_a_device_hears_no_commands_for_another(broker: Mosquitto) -> None:
    with people(broker.port, "gate-router", "gatehand") as (router, daemon):
        router.listen(SET)
        router.listen("shop/gate/router/set")
        daemon.say(SET, "open")
        daemon.say("shop/gate/router/set", "1")
        wait_until(lambda: router.heard)
        assert router.heard == [("shop/gate/router/set", b"1")]


def test_the_page_hears_what_the_daemon_says_and_no_device(broker: Mosquitto) -> None:
    with people(broker.port, "page", "gatehand") as (page, daemon):
        page.listen("shop/#")
        page.listen("gatehand/#")
        daemon.say(SET, "open")
        daemon.say("gatehand/gate/band_saw", "{}")
        page.has_heard(("gatehand/gate/band_saw", b"{}"))


@pytest.mark.parametrize(("allow", "rights"), [("", []), ('"hold"', ["gatehand/collector/+/hold"])])
def test_the_page_may_ask_for_what_allow_names_and_no_more(allow: str, rights: list[str]) -> None:
    (page,) = (user for user in users(example(allow)) if user.name == "page")
    assert page.rights == ((Right.READ, "gatehand/#"), *((Right.WRITE, topic) for topic in rights))
    (hands,) = (user for user in users(example()) if user.name == "hands")
    everything = {
        right for user in users(example('"hand", "hold", "reset"')) if user.name == "page" for right in user.rights
    }
    assert everything < set(hands.rights), "what a page may, hands may too"


def test_a_config_without_a_page_has_no_login_for_one() -> None:
    without = "\n".join(part for part in EXAMPLE.split("\n\n") if not part.startswith("[page]"))
    found = load_text(without, ROOT / "config.example.toml", files=False).config
    assert found is not None
    assert "page" not in {user.name for user in users(found)}


def test_the_list_in_deploy_is_that_of_the_example_config() -> None:
    config = load(ROOT / "config.example.toml").config
    assert config is not None
    shown = (ROOT / "deploy/mosquitto/example.acl").read_text()
    assert shown == access_list(users(config)), "write it anew: gatehand access --config config.example.toml"


def test_a_list_for_a_listener_apart_names_only_whom_it_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    config = str(ROOT / "config.example.toml")
    assert main(["access", "--config", config, "--only", "tool-band_saw", "--json"]) == 0
    own = {"shop/band_saw/amps": "write", "shop/band_saw/online": "readwrite", "shop/band_saw/about": "write"}
    wanted = [{"right": right, "topic": topic} for topic, right in own.items()]
    assert json.loads(capsys.readouterr().out) == {"tool-band_saw": wanted}
    assert main(["access", "--config", config, "--only", "tool-bandsaw"]) == 2
    assert "there is no login 'tool-bandsaw'; did you mean tool-band_saw?" in capsys.readouterr().err
