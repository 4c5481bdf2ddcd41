"""`gatehand off` when the config is broken, gone or hangs, and beside a daemon that runs or hangs."""

import getpass
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from broker_people import Person, people
from support.child import RunningDaemon, gatehand_does, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
spin_up = 0.1
coast_down = 0.2
refresh = 1

[gate.band_saw]
command = {{ topic = "shop/gate/set", open = "open", shut = "shut" }}
travel = 0.1

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
run_on = 0.2
"""
FAN, AMPS = "shop/fan/set", "shop/band_saw/amps"

pytestmark = pytest.mark.broker


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as running:
        yield running


def noted(folder: Path, broker: Mosquitto) -> Path:
    """A daemon has run with this config once; gives the config."""
    config = folder / "config.toml"
    config.write_text(SHOP.format(port=broker.port))
    with RunningDaemon(folder):
        wait_until((folder / "off.json").exists, what="the notes are written")
    return config


def hung(config: Path) -> None:
    config.unlink()
    os.mkfifo(config)


def folder_of_it(config: Path) -> None:
    config.unlink()
    config.mkdir()


SPOILT: dict[str, Callable[[Path], object]] = {
    "gone": Path.unlink,
    "a pipe": hung,
    "a folder": folder_of_it,
    "empty": lambda config: config.write_text(""),
    "broken": lambda config: config.write_text('[collector.main\ncommand = { topic = "shop/other/set" }\n'),
}


@pytest.mark.parametrize("how", SPOILT)
def test_with_a_config_that_is_no_use_it_works_by_the_daemons_notes(
    how: str, broker: Mosquitto, tmp_path: Path
) -> None:
    config = noted(tmp_path, broker)
    SPOILT[how](config)
    with people(broker.port, None) as (fan,):
        fan.listen(FAN)
        done = gatehand_does("off", "--config", str(config))
        assert done.returncode == 0, done.stdout + done.stderr
        fan.has_heard((FAN, b"0"))
        assert f"by {tmp_path / 'off.json'}" in done.stdout
        assert "the config cannot be used" in done.stderr


def test_the_state_folder_may_be_named(broker: Mosquitto, tmp_path: Path) -> None:
    noted(tmp_path, broker)
    with people(broker.port, None) as (fan,):
        fan.listen(FAN)
        done = gatehand_does("off", "--config", "/nowhere/config.toml", "--state", str(tmp_path))
        assert done.returncode == 0, done.stdout + done.stderr
        fan.has_heard((FAN, b"0"))


def test_without_config_and_notes_it_says_what_to_do(tmp_path: Path) -> None:
    done = gatehand_does("off", "--config", str(tmp_path / "config.toml"))
    assert done.returncode == 1
    for part in ("config.toml", "there is no such file", "off.json is not there", "at its own switch", "--state"):
        assert part in done.stdout


@pytest.mark.parametrize("text", ["", "{", '{"version": 1}', '{"version": 9}', "\0" * 50])
def test_notes_that_are_no_use_are_said(text: str, tmp_path: Path) -> None:
    (tmp_path / "off.json").write_text(text)
    done = gatehand_does("off", "--config", str(tmp_path / "config.toml"))
    assert done.returncode == 1
    assert "off.json is" in done.stdout


def test_a_password_file_that_hangs_is_given_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "secret")
    login = '[broker]\nusername = "gatehand"\npassword_file = "secret"'
    (tmp_path / "config.toml").write_text(SHOP.format(port=free_port()).replace("[broker]", login))
    done = gatehand_does("off", "--config", str(tmp_path / "config.toml"))
    assert done.returncode == 1
    assert "secret" in done.stdout


def draws(saw: Person, until: Callable[[], bool]) -> None:
    """The saw's sensor speaks five times a second, until then."""

    def then() -> bool:
        saw.say(AMPS, "5")
        time.sleep(0.2)
        return until()

    wait_until(then, what="the collector is on")


def shown(saw: Person, amps: str, since: int) -> bool:
    """The saw's sensor says it once more; what comes while the daemon catches up after a standstill is not believed."""
    saw.say(AMPS, amps)
    time.sleep(0.1)
    return any(f'"amps": {amps}.0'.encode() in said for _, said in saw.heard[since:])


@pytest.mark.parametrize("hangs", [False, True])
def test_beside_a_daemon_whose_collector_does_not_report_off_stays_off(
    hangs: bool, broker: Mosquitto, tmp_path: Path
) -> None:
    """It repeats its "on" each second; once it was asked, only a fresh start brings another.

    When it hangs, the off comes all the same, and it does not switch on again when it comes to itself.
    """
    config = tmp_path / "config.toml"
    config.write_text(SHOP.format(port=broker.port))
    with people(broker.port, None, None) as (fan, saw), RunningDaemon(tmp_path) as daemon:
        fan.listen(FAN)
        saw.listen("gatehand/tool/band_saw")
        wait_until(lambda: saw.heard, what="it is there")
        saw.say(AMPS, "0.1")
        wait_until(lambda: b'"idle"' in saw.heard[-1][1], what="the saw is heard")
        draws(saw, lambda: fan.heard.count((FAN, b"1")) >= 3)
        if hangs:
            os.kill(daemon.pid, signal.SIGSTOP)
        before = len(fan.heard)
        done = gatehand_does("off", "--config", str(config))
        assert done.returncode == 0, done.stdout + done.stderr
        wait_until(lambda: (FAN, b"0") in fan.heard[before:])
        ends = fan.heard.index((FAN, b"0"), before)
        if hangs:
            os.kill(daemon.pid, signal.SIGCONT)
        saw.say(AMPS, "6")
        seen = len(saw.heard)
        # Readings that still draw, each shown at a beat of the daemon's own: three are longer than its refresh.
        for amps in ("7", "8", "9"):
            wait_until(lambda: shown(saw, amps, seen), what=f"{amps} A is shown")  # noqa: B023
        assert (FAN, b"1") not in fan.heard[ends:]
        by = f"collector switched off on request from {getpass.getuser()}; only a fresh start switches it on again"
        said = "if a daemon is running, it was asked to keep them off until a fresh start"
        assert done.stdout.splitlines()[1:] == [
            "collector main: off sent",
            said if hangs else f"collector main: the daemon answered: {by}",
        ]
        saw.say(AMPS, "0.1")
        wait_until(lambda: b'"idle"' in saw.heard[-1][1], what="the cut has ended")
        draws(saw, lambda: (FAN, b"1") in fan.heard[ends:])


def test_the_service_leaves_another_daemon_of_this_folder_alone(broker: Mosquitto, tmp_path: Path) -> None:
    """A unit whose daemon found another one running must not switch the other one's collector off."""
    (tmp_path / "config.toml").write_text(SHOP.format(port=broker.port))
    with people(broker.port, None) as (fan,):
        with RunningDaemon(tmp_path):
            wait_until((tmp_path / "off.json").exists, what="it runs")
            done = gatehand_does("off", "--config", str(tmp_path / "config.toml"), "--when-ended")
            assert done.returncode == 0
            assert "another daemon is running here" in done.stdout
        fan.listen(FAN)
        done = gatehand_does("off", "--config", str(tmp_path / "config.toml"), "--when-ended")
        assert done.returncode == 0
        fan.has_heard((FAN, b"0"))
