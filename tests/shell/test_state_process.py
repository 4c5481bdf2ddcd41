"""The real daemon and its state folder: a second daemon, a changed file, a lost folder, a broker that was killed."""

import json
import signal
import stat
import time
from pathlib import Path

import pytest
from daemon_support import ON, SHOP, Process, Shopfloor
from support.child import environment, gatehand_does, wait_until
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker


def held(floor: Shopfloor) -> bool:
    return bool((floor.shown("collector/main") or {}).get("state") == "held")


def cut(floor: Shopfloor) -> None:
    """The band saw goes from idle to cutting, as often as it takes to be heard."""
    wait_until(lambda: floor.retained.get("gatehand/online") == "1", what="the daemon is there")
    for amps, word in (("0.1", "idle"), ("5", "running")):

        def seen(amps: str = amps, word: str = word) -> bool:
            floor.say("shop/band_saw/amps", amps)
            time.sleep(0.1)
            return bool((floor.shown("tool/band_saw") or {}).get("state") == word)

        wait_until(seen, what=f"the saw is {word}")


def test_a_second_daemon_on_one_machine_says_who_runs_and_does_nothing(tmp_path: Path) -> None:
    with Mosquitto() as broker, Shopfloor(broker.port) as floor:
        text = SHOP.format(port=broker.port)
        with Process(tmp_path, text) as first:
            wait_until(lambda: floor.retained.get("gatehand/online") == "1", what="it is there")
            done = gatehand_does("run", "--config", str(first.config))
            assert done.returncode == 1
            assert f"already running, pid {first.pid}" in done.stderr
            first.signal(signal.SIGKILL)
            first.wait()
        with Process(tmp_path, text) as third:
            wait_until(lambda: len(third.events("broker_connected")) == 2, what="a killed daemon's lock is free")
            assert third.stop() == 0


def test_a_hold_outlives_both_killed_a_broker_that_forgot_and_a_renamed_table(tmp_path: Path) -> None:
    """And the collector's table cannot be removed before the reset."""
    text = SHOP
    with Mosquitto() as broker:
        with Shopfloor(broker.port) as floor, Process(tmp_path, text.format(port=broker.port)) as first:
            floor.idle()
            floor.say("gatehand/collector/main/hold", "filter change")
            wait_until(lambda: held(floor), what="held is shown")
            broker.kill9()
            first.signal(signal.SIGKILL)
            first.wait()
        broker.revive()
        removed = text.replace("[collector.main]", "[collector.big]").replace("shop/fan/", "shop/big/")
        with Process(tmp_path, removed.format(port=broker.port)) as refused:
            assert refused.wait() == 78
            assert "the collector main (commanded on 'shop/fan/set') is on hold since" in refused.stderr
            assert "put its table back, reset, then remove it" in refused.stderr
        renamed = text.replace("[collector.main]", "[collector.big]").format(port=broker.port)
        with Shopfloor(broker.port) as floor, Process(tmp_path, renamed) as second:
            cut(floor)
            shown = wait_until(lambda: floor.shown("collector/big"))
            assert (shown["state"], shown["held"]) == ("held", "filter change")
            second.stop()
            assert ON not in floor.told()


def test_the_hold_comes_through_two_thousand_retained_topics_and_a_short_queue(tmp_path: Path) -> None:
    """By the broker alone: the state folder is lost. With the settings for Mosquitto that we ship."""
    shipped = Path(__file__).parents[2] / "deploy/mosquitto/gatehand.conf"
    queue = [line for line in shipped.read_text().splitlines() if line.startswith("max_queued_messages")]
    assert queue == ["max_queued_messages 200"]
    text = SHOP
    with Mosquitto(config=queue) as broker, Shopfloor(broker.port) as floor:
        with Process(tmp_path, text.format(port=broker.port)) as first:
            floor.idle()
            floor.say("gatehand/collector/main/hold", "filter change")
            wait_until(lambda: held(floor), what="held is shown")
            first.signal(signal.SIGKILL)
            first.wait()
        for number in range(500):
            for kind in ("alarm", "collector", "gate", "tool"):
                floor.say(f"gatehand/{kind}/left{number}", f'{{"state": "idle", "n": {number}}}', retain=True)
        wait_until(lambda: "gatehand/tool/left499" in floor.retained, what="all are retained")
        (tmp_path / "state.json").unlink()
        since = len(floor.commands)
        with Process(tmp_path, text.format(port=broker.port)) as second:
            wait_until(lambda: second.events("collector_held"), what="the hold was heard among them")
            cut(floor)
            assert held(floor)
            second.stop()
        assert ON not in floor.told(since)


def test_notes_for_telling_off_are_written_at_the_start_and_after_a_reload_for_the_daemons_eyes_alone(
    tmp_path: Path,
) -> None:
    state = tmp_path / "state"
    (tmp_path / "secret").write_text("hush-hush\n")
    login = 'username = "gatehand"\npassword_file = "secret"\n'
    with Mosquitto() as broker:
        text = SHOP.format(port=broker.port).replace("[broker]\n", f"[broker]\n{login}")
        with Process(tmp_path, text, env=environment(STATE_DIRECTORY=str(state))) as daemon:
            wait_until((state / "off.json").exists)
            notes = (state / "off.json").read_text()
            assert stat.S_IMODE((state / "off.json").stat().st_mode) == 0o600
            assert "hush" not in notes
            found = json.loads(notes)
            assert found["collectors"] == {"main": {"topic": "shop/fan/set", "off": "0"}}
            assert (found["port"], found["username"]) == (broker.port, "gatehand")
            assert found["password_file"] == str(tmp_path / "secret")
            wait_until(lambda: daemon.events("broker_connected"))
            daemon.config.write_text(text.replace('off = "0" }\nstate', 'off = "halt" }\nstate'))
            daemon.signal(signal.SIGHUP)
            wait_until(
                lambda: '"halt"' in (state / "off.json").read_text(), what="the notes follow the config in force"
            )
            assert json.loads((state / "state.json").read_text())["version"] == 1
            assert not (tmp_path / "state.json").exists()
            daemon.stop()


def test_a_state_folder_that_cannot_be_made_raises_an_alarm_and_the_shop_is_worked(tmp_path: Path) -> None:
    with Mosquitto() as broker, Shopfloor(broker.port) as floor:
        env = environment(STATE_DIRECTORY="/proc/gatehand")
        with Process(tmp_path, SHOP.format(port=broker.port), env=env) as daemon:
            alarm = wait_until(lambda: floor.shown("alarm/daemon.main.memory"), what="the alarm")
            assert "/proc/gatehand" in alarm["because"]
            floor.idle()
            since = len(floor.commands)
            cut(floor)
            wait_until(lambda: ON in floor.told(since), what="a cut is served all the same")
            daemon.stop()


def test_the_state_never_stands_in_the_logs_folder(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(SHOP.format(port=1))
    done = gatehand_does("run", "--config", str(tmp_path / "config.toml"), "--state", str(tmp_path / "log"))
    assert done.returncode == 78
    assert "the log's folder" in done.stderr


def test_two_daemons_on_two_machines_one_works_the_shop_and_the_other_commands_nothing(tmp_path: Path) -> None:
    """Each has a state folder of its own, so that no lock tells them."""
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    with Mosquitto() as broker, Shopfloor(broker.port) as floor:
        text = SHOP.format(port=broker.port)
        with Process(here, text) as first:
            floor.idle()
            claimed = lambda: set(floor.shown("daemon") or {}) == {"id", "host", "started"}  # noqa: E731
            wait_until(claimed, what="it claims the shop")
            since = len(floor.commands)
            with Process(there, text) as second:
                assert second.wait() == 1
                assert "a daemon on" in second.stderr
                assert second.events("broker_connected") == []
            assert floor.told(since) == []
            done = gatehand_does("off", "--config", str(there / "config.toml"), "--when-ended")
            assert (done.returncode, floor.told(since)) == (0, []), "the second one's service leaves the shop alone"
            cut(floor)
            wait_until(lambda: ON in floor.told(since), what="the first one works on")
            assert floor.retained.get("gatehand/online") == "1"
            assert floor.shown("alarm/daemon.main.same_base") is None
            assert first.stop() == 0
            wait_until(lambda: floor.retained.get("gatehand/daemon") == "", what="the claim is given up")
        with Process(there, text) as third:
            wait_until(lambda: third.events("broker_connected"), what="the shop is free")
            assert third.stop() == 0


def test_a_client_with_the_bases_name_throws_no_daemon_out(tmp_path: Path) -> None:
    """Whatever login it has: the daemon's client id is not to be guessed."""
    with (
        Mosquitto() as broker,
        Shopfloor(broker.port) as floor,
        Process(tmp_path, SHOP.format(port=broker.port)) as one,
    ):
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        names = [line.split(" as ")[1].split(" ")[0] for line in broker.log.splitlines() if " as gatehand-" in line]
        assert len(names) >= 1
        assert all(len(each.removeprefix("gatehand-").split("-")[0]) == 8 for each in names)
        assert one.stop() == 0
