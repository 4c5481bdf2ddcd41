"""Editing while it runs, end to end: a real Mosquitto, the real daemon, the real `gatehand reload`, each a process."""

import json
import re
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from daemon_support import BENCH, OFF, ON, SHOP, Process, Shopfloor
from support.child import gatehand_does, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

pytestmark = pytest.mark.broker


@pytest.fixture
def floor(broker: Mosquitto) -> Iterator[Shopfloor]:
    with Shopfloor(broker.port) as found:
        yield found


@pytest.fixture
def text(broker: Mosquitto) -> str:
    return SHOP.format(port=broker.port)


@pytest.fixture
def daemon(floor: Shopfloor, text: str, tmp_path: Path) -> Iterator[Process]:
    """A daemon at rest."""
    with Process(tmp_path, text) as found:
        wait_until(lambda: OFF in floor.told(), what="the first off")
        floor.idle()
        yield found
        if found.runs:
            assert found.stop() == 0, found.stderr
        for topic in list(floor.retained):
            if topic.startswith("gatehand/"):
                floor.say(topic, "", retain=True)


def reload(daemon: Process, *options: str) -> tuple[int, str, str]:
    done = gatehand_does("reload", "--config", str(daemon.config), *options)
    return done.returncode, done.stdout, done.stderr


def edit(daemon: Process, old: str, new: str) -> None:
    """As an editor does it: a new file in the old one's place."""
    text = daemon.config.read_text()
    assert old in text
    other = daemon.folder / "config.toml.new"
    other.write_text(text.replace(old, new, 1))
    other.replace(daemon.config)


def test_a_run_on_that_counts_takes_the_new_length_at_once(daemon: Process, floor: Shopfloor) -> None:
    edit(daemon, "run_on = 0.5", "run_on = 300")
    code, said, _ = reload(daemon)
    assert code == 0
    assert re.search(r": in force since 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d; 2 tools, 2 gates, 1 collector\n", said), said
    assert "  tool.band_saw.run_on: 0.5 -> 300\n" in said
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: (floor.shown("collector/main") or {}).get("state") == "run_on")
    wait_until(lambda: run_on_shown(daemon, floor) == pytest.approx(300, abs=0.3), what="the new length")
    assert OFF not in floor.told(since)
    edit(daemon, "run_on = 300", "run_on = 8")
    code, said, _ = reload(daemon)
    assert (code, "tool.band_saw.run_on: 300 -> 8" in said) == (0, True)
    wait_until(lambda: run_on_shown(daemon, floor) == pytest.approx(8, abs=0.3), what="counted from the end of the cut")
    wait_until(lambda: OFF in floor.told(since))
    stopped, off = daemon.events("tool_stopped")[-1], daemon.events("collector_off")[-1]
    assert round(off["mono"] - stopped["mono"], 3) >= 8


def run_on_shown(daemon: Process, floor: Shopfloor) -> float:
    """Seconds from the end of the cut, as the log has it, to the end of the run-on, as the saw's status has it now."""
    stopped, ends = daemon.events("tool_stopped")[-1]["ts"], floor.shown("tool/band_saw")["run_on_ends"]
    return (datetime.fromisoformat(ends or stopped) - datetime.fromisoformat(stopped)).total_seconds()


def test_a_bad_edit_is_told_with_file_line_and_column_and_the_old_config_works_on(
    daemon: Process, floor: Shopfloor
) -> None:
    good = daemon.config.read_text()
    edit(daemon, "start_amps = 2.5", 'start_amps = "much"')
    line = daemon.config.read_text().splitlines().index('start_amps = "much"') + 1
    since = len(floor.commands)
    code, said, _ = reload(daemon)
    place = f"{daemon.config}:{line}:14: error: tool.band_saw.start_amps: "
    assert code == 1
    assert place in said
    assert "the last good config" in said
    alarm = wait_until(lambda: floor.shown("alarm/daemon.main.config"))
    assert place in alarm["because"]
    assert line in [each["line"] for each in floor.shown("config")["problems"] if each["level"] == "error"]
    wait_until(lambda: daemon.events("config_rejected"), what="its line")
    assert floor.told(since) == []
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: OFF in floor.told(since))
    daemon.config.write_text(good)
    code, said, _ = reload(daemon)
    assert (code, "in force since" in said) == (0, True)
    wait_until(lambda: floor.shown("alarm/daemon.main.config") is None)


@pytest.mark.parametrize("slip", ["[tool.band_saw", "start_amps = ", "\n[tool.router]\n"])
def test_a_file_that_is_no_toml_any_more_is_told_by_the_daemon_too(daemon: Process, slip: str) -> None:
    daemon.config.write_text(daemon.config.read_text() + slip)
    code, said, complained = reload(daemon)
    assert code == 1, complained
    assert re.search(rf"^{re.escape(str(daemon.config))}:\d+:\d+: error: ", said, re.MULTILINE), said + complained


def test_nothing_is_switched_by_a_reload_while_a_tool_cuts(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    wait_until(lambda: (floor.shown("collector/main") or {}).get("state") == "running")
    cutting = floor.told(since)
    edit(daemon, "spin_up = 0.2", "spin_up = 5\nstarts_per_hour = 4")
    assert reload(daemon)[0] == 0
    floor.say("shop/router/amps", "0.5")
    wait_until(lambda: (floor.shown("tool/router") or {}).get("amps") == 0.5, what="a beat later")
    assert floor.told(since) == cutting
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: floor.told(since)[-1] != cutting[-1])


def test_a_tool_that_is_removed_while_it_cuts_is_let_go_after_its_run_on(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/router/amps", "6")
    wait_until(lambda: ON in floor.told(since))
    edit(daemon, "run_on = 0\n", "run_on = 2\n")
    assert reload(daemon)[0] == 0
    text = daemon.config.read_text()
    begin, end = text.index("[tool.router]"), text.index("[stop.emergency]")
    button = '[gate.bench]\nbutton = { topic = "shop/bench/button", pressed = "1" }'
    text = (text[:begin] + text[end:]).replace("[gate.bench]", button)
    daemon.config.write_text(text)
    code, said, _ = reload(daemon)
    assert (code, "tool.router: removed" in said) == (0, True)
    wait_until(lambda: OFF in floor.told(since), what="let go")
    told = floor.told(since)
    assert (BENCH, "shut") not in told[: told.index(OFF)], "its gate stays open until the fan stands still"
    wait_until(lambda: (BENCH, "shut") in floor.told(since))
    wait_until(lambda: floor.retained.get("gatehand/tool/router") == "")


def test_a_gate_that_is_removed_while_the_fan_turns_waits_until_it_stands(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/router/amps", "6")
    wait_until(lambda: ON in floor.told(since))
    text = daemon.config.read_text()
    begin, end = text.index("[gate.bench]"), text.index("[tool.band_saw]")
    text = (text[:begin] + text[end:]).replace('gates = ["bench"]', 'gates = ["band_saw"]')
    daemon.config.write_text(text)
    code, said, _ = reload(daemon, "--timeout", "5")
    assert code == 1
    assert "not taken yet: the gate bench is removed while the fan of main may turn" in said
    assert floor.told(since)[-1] == ON, "nothing is switched"
    floor.say("shop/router/amps", "0")
    wait_until(lambda: OFF in floor.told(since))
    wait_until(lambda: (floor.shown("config") or {}).get("ok") is True)
    assert "gate.bench: removed" in floor.shown("config")["changed"]
    assert reload(daemon)[0] == 0


def test_the_outcome_for_programs(daemon: Process) -> None:
    code, said, _ = reload(daemon, "--json")
    found = json.loads(said)
    assert (code, found["ok"], found["tools"], found["file"]) == (0, True, 2, str(daemon.config))
    assert not [each for each in found["problems"] if each["level"] == "error"]


def test_another_machine_needs_no_config(daemon: Process, broker: Mosquitto, tmp_path: Path) -> None:
    nowhere = tmp_path / "elsewhere" / "config.toml"
    done = gatehand_does("reload", "--config", str(nowhere), "--broker", f"127.0.0.1:{broker.port}")
    assert (done.returncode, f"{daemon.config}: in force" in done.stdout) == (0, True)


def test_without_a_daemon_it_says_so_at_once(broker: Mosquitto, text: str, tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(text)
    done = gatehand_does("reload", "--config", str(tmp_path / "config.toml"), "--timeout", "1000")
    assert done.returncode == 1
    assert re.search(r"no daemon listens on gatehand at |is offline", done.stderr)
    assert str(broker.port) in done.stderr
    done = gatehand_does("reload", "--config", str(tmp_path / "config.toml"), "--json")
    assert (done.returncode, json.loads(done.stdout)["ok"]) == (1, False)


def test_a_daemon_that_does_not_answer_costs_the_timeout_and_no_more(daemon: Process) -> None:
    import signal

    daemon.signal(signal.SIGSTOP)
    try:
        code, _, complained = reload(daemon, "--timeout", "1.5")
    finally:
        daemon.signal(signal.SIGCONT)
    assert code == 1
    assert "within 1.5 s" in complained


def test_a_broker_that_is_away_is_said(text: str, broker: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(text.replace(str(broker.port), str(free_port())))
    done = gatehand_does("reload", "--config", str(tmp_path / "config.toml"))
    assert done.returncode == 1
    assert "no connection to the broker" in done.stderr


@pytest.mark.parametrize("wrong", ["0", "-1", "soon", "nan", "inf"])
def test_a_wrong_timeout_is_wrong_usage(wrong: str) -> None:
    done = gatehand_does("reload", f"--timeout={wrong}")
    assert done.returncode == 2
    assert "wanted seconds" in done.stderr


def test_a_storm_of_signals_does_not_put_off_the_next_beat(daemon: Process, floor: Shopfloor) -> None:
    import signal

    floor.say("shop/router/amps", "0.7")

    def storm() -> bool:
        """A signal more, long before a beat is due; whether a beat has shown the current all the same."""
        daemon.signal(signal.SIGHUP)
        time.sleep(0.05)
        return bool((floor.shown("tool/router") or {}).get("amps") == 0.7)

    wait_until(storm, what="the next beat, while the storm goes on")
