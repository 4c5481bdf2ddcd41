"""The real daemon on a broker set up as deploy/ does it: it can do its work, and nobody else can do it for him."""

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from broker_people import PASSWORD, deployed, people, write_passwords
from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto

from gatehand.access_rights import access_list, users
from gatehand.cli import main
from gatehand.config import load

pytestmark = pytest.mark.broker

SHOP = """
[broker]
port = {port}
username = "gatehand"
password_file = "secret"

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
coast_down = 1

[gate.band_saw]
command = {{ topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }}
state = {{ topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }}

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
"""
SET, STATE, AMPS, FAN = "shop/gate/band_saw/set", "shop/gate/band_saw/state", "shop/band_saw/amps", "shop/fan/set"


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    broker = Mosquitto(listens=False)
    (broker.folder / "secret").write_text(PASSWORD)
    (broker.folder / "shop.toml").write_text(SHOP.format(port=broker.port))
    config = load(broker.folder / "shop.toml").config
    assert config is not None
    everybody = users(config)
    (broker.folder / "gatehand.acl").write_text(access_list(everybody))
    write_passwords(broker.folder / "gatehand.passwd", [user.name for user in everybody])
    broker.configure(deployed(broker.folder, broker.port))
    with broker as running:
        yield running


@pytest.fixture
def daemon(broker: Mosquitto, tmp_path: Path) -> Iterator[RunningDaemon]:
    (tmp_path / "secret").write_text(PASSWORD + "\n")
    (tmp_path / "config.toml").write_text(SHOP.format(port=broker.port))
    with RunningDaemon(tmp_path) as running:
        yield running


def test_a_tools_reading_opens_its_gate_and_starts_the_fan(broker: Mosquitto, daemon: RunningDaemon) -> None:
    with people(broker.port, "tool-band_saw", "gate-band_saw", "collector-main", "viewer") as (tool, gate, fan, viewer):
        viewer.listen("gatehand/#")
        gate.listen(SET)
        fan.listen(FAN)
        wait_until(lambda: ("gatehand/online", b"1") in viewer.heard, what=daemon.said)
        gate.say(STATE, "shut")
        tool.say(AMPS, "0.1")
        wait_until(lambda: any(b'"state": "idle"' in payload for _, payload in viewer.heard))

        def cuts() -> bool:
            """Its sensor speaks on: one reading after the daemon's start is confirmed by the next."""
            tool.say(AMPS, "5")
            time.sleep(0.2)
            return (SET, b"open") in gate.heard

        wait_until(cuts, what="the gate is told to open")
        assert (FAN, b"1") not in fan.heard, "not before the gate is open"
        gate.say(STATE, "open")
        wait_until(lambda: (FAN, b"1") in fan.heard, what="the fan is switched on")
        wait_until(lambda: any(b'"state": "spin_up"' in payload for _, payload in viewer.heard))
        assert "refused" not in daemon.said


def test_who_is_not_the_daemon_commands_no_gate_and_fakes_no_reading(broker: Mosquitto, daemon: RunningDaemon) -> None:
    with people(broker.port, "gate-band_saw", "viewer", "hands", "tool-band_saw") as (gate, viewer, hands, tool):
        gate.listen(SET)
        viewer.listen("gatehand/#")
        wait_until(lambda: ("gatehand/online", b"1") in viewer.heard, what=daemon.said)
        gate.say(STATE, "shut")
        tool.say(AMPS, "0.1")
        for topic, state in (("tool/band_saw", b"idle"), ("gate/band_saw", b"shut"), ("collector/main", b"off")):
            seen = (f"gatehand/{topic}", b'"state": "%b"' % state)
            wait_until(lambda: any(at == seen[0] and seen[1] in what for at, what in viewer.heard), what=topic)  # noqa: B023 - waited for at once
        for other in (viewer, hands, tool):
            other.say(SET, "open")
        for other in (viewer, hands, gate):
            other.say(AMPS, "50")
        hands.say("gatehand/gate/band_saw/hand", "1")  # this it may: the daemon opens the gate
        wait_until(lambda: (SET, b"open") in gate.heard)
        assert [payload for _, payload in gate.heard].count(b"open") == 1, "from the daemon alone"
        assert not any(
            topic == "gatehand/tool/band_saw" and b'"amps": 50' in payload for topic, payload in viewer.heard
        )


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_hands_login_may_ask_and_another_is_told_that_it_may_not(
    broker: Mosquitto, daemon: RunningDaemon, tmp_path: Path, capsys: pytest.CaptureFixture[str], protocol: str
) -> None:
    text = SHOP.format(port=broker.port).replace("[broker]", f'[broker]\nprotocol = "{protocol}"')
    (tmp_path / "own.toml").write_text(text.replace('"secret"', '"not for us to read"'))
    (tmp_path / "hands.password").write_text(PASSWORD)
    with people(broker.port, "viewer") as (viewer,):
        viewer.listen("gatehand/#")
        wait_until(lambda: ("gatehand/online", b"1") in viewer.heard, what=daemon.said)

    def does(login: str, *words: str) -> tuple[int, str, str]:
        own = ("--config", str(tmp_path / "own.toml"), "--password-file", str(tmp_path / "hands.password"))
        code = main([words[0], *own, "--username", login, *words[1:]])
        return code, *capsys.readouterr()

    code, out, err = does("hands", "hold", "--because", "filter change")
    assert (code, err) == (0, "")
    assert "on hold (filter change)" in out
    assert does("hands", "hand", "band_saw", "--off")[0] == 0
    assert "reset" in does("hands", "reset")[1], "answered; refused, so soon after the daemon's start"
    code, out, err = does("viewer", "reset", "--timeout", "0.5")
    assert (code, out) == (1, "")
    assert "the login viewer may not" in err, err
    assert "--username hands" in err
    assert ("not authorized" in err) is (protocol == "5"), "MQTT 3.1.1 has no word for it"
    code, out, err = does("nobody", "reset", "--json")
    assert (code, err, json.loads(out)["rule"]) == (1, "", "not_allowed")
    assert "refused the login of user 'nobody'" in out
    code = main(["reset", "--config", str(tmp_path / "own.toml")])
    assert code == 1
    assert "--username hands" in capsys.readouterr().err, "who may not read the daemon's password is told how"
