"""The daemon as a process: exit codes, messages, signals, the service manager, memory and time to start."""

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from daemon_support import ON, SHOP, Process, Shopfloor
from support.child import environment, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand.shell.daemon import BEAT, LOOK_EVERY

NOT_WANTED = (
    *("rich", "greenlet", "tomlkit", "fluids", "numpy", "scipy", "matplotlib", "amqtt", "uvloop", "statistics"),
    *("gatehand.simshop", "gatehand.air", "gatehand.shell.suctions", "gatehand.config.check_air"),
    *("gatehand.config.slips", "gatehand.phone", "gatehand.notify", "starlette", "uvicorn"),
)
MOST_KB = 45_000
"""Resident memory of `gatehand run`, measured as VmRSS: the limit that the project sets itself."""
MOST_SECONDS = 1.0
"""Of processor time, from the start of the process until its subscriptions stand."""


def run_once(folder: Path, text: str, **env: str) -> subprocess.CompletedProcess[str]:
    config = folder / "config.toml"
    config.write_text(text)
    return subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", "run", "--config", str(config)],
        env=environment(**env),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_bad_config_ends_with_78_and_every_problem_as_check_prints_it(tmp_path: Path) -> None:
    text = SHOP.format(port=1).replace("start_amps = 2\n", "start_ampz = 2\n").replace("travel = 0.3", "travel = -1")
    run = run_once(tmp_path, text)
    assert run.returncode == 78
    check = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", "check", "--config", str(tmp_path / "config.toml")],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    told = [line for line in check.stdout.splitlines() if line.startswith(str(tmp_path))]
    problems = told[:-1]  # the last line sums up; below each stands its line, marked
    assert len(problems) >= 2
    assert run.stderr.splitlines()[: len(problems)] == problems
    assert "not started" in run.stderr
    assert not (tmp_path / "log").exists()


def test_a_config_that_is_not_there_ends_with_78(tmp_path: Path) -> None:
    run = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", "run", "--config", str(tmp_path / "none.toml")],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.returncode == 78
    assert "there is no such file" in run.stderr


def test_a_log_folder_that_cannot_be_written_ends_with_78_and_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "log").write_text("a file stands where the folder should be")
    run = run_once(tmp_path, SHOP.format(port=1))
    assert run.returncode == 78
    assert str(tmp_path / "log") in run.stderr
    assert "log.folder" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_password_that_cannot_be_read_ends_with_78(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x\n")
    text = SHOP.format(port=1).replace("[broker]", f'[broker]\nusername = "g"\npassword_file = "{secret}"')
    secret.write_text("")
    run = run_once(tmp_path, text)
    assert run.returncode == 78
    assert "password" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_second_daemon_on_the_same_log_ends_with_78(broker: Mosquitto, tmp_path: Path) -> None:
    with Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
        wait_until(lambda: daemon.events("broker_connected"))
        run = run_once(tmp_path, SHOP.format(port=broker.port), STATE_DIRECTORY=str(tmp_path / "another"))
        assert run.returncode == 78
        assert "another Gatehand daemon" in run.stderr
        assert daemon.stop() == 0


def test_the_run_command_imports_nothing_heavy(tmp_path: Path) -> None:
    """Measured in a process of its own, for what a test has imported stays imported."""
    program = (
        "import sys, threading, time, os, pathlib, signal\n"
        "def stop():\n"
        "    log = pathlib.Path(sys.argv[1]).with_name('log')\n"
        "    while not any('unreachable' in each.read_text() for each in log.glob('events-*.jsonl')):\n"
        "        time.sleep(0.05)\n"
        "    os.kill(os.getpid(), signal.SIGTERM)\n"
        "threading.Thread(target=stop, daemon=True).start()\n"
        "from gatehand.cli import main\n"
        "code = main(['run', '--config', sys.argv[1]])\n"
        f"print(code, sorted(m for m in sys.modules if sys.modules[m] is not None"
        f" and m.startswith({NOT_WANTED!r}) and not m.startswith('richer')))\n"
    )
    config = tmp_path / "config.toml"
    config.write_text(SHOP.format(port=free_port()))
    run = subprocess.run(  # noqa: S603
        [sys.executable, "-c", program, str(config)],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.stdout.strip() == "0 []", run.stderr


@pytest.mark.broker
def test_resident_memory_and_processor_time_until_subscribed(broker: Mosquitto, tmp_path: Path) -> None:
    with Shopfloor(broker.port) as floor, Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        took = _processor_seconds(daemon.pid)
        floor.idle()
        floor.say("shop/band_saw/amps", "5")
        wait_until(lambda: ON in floor.told())
        used = _resident_kb(daemon.pid)
        print(f"resident {used:,} kB; subscribed after {took:.2f} s of processor time")
        assert used < MOST_KB
        assert took < MOST_SECONDS
        assert daemon.stop() == 0


def _processor_seconds(pid: int) -> float:
    """User and system time so far: fields 14 and 15 of proc(5)'s stat."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_kb(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))


@pytest.mark.broker
def test_the_service_manager_hears_ready_the_watchdog_and_stopping(broker: Mosquitto, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        address = str(tmp_path / "notify")
        manager.bind(address)
        manager.settimeout(60)
        env = environment(NOTIFY_SOCKET=address)
        with Process(tmp_path, SHOP.format(port=broker.port), env=env) as daemon:
            first = manager.recv(1000).decode().split("\n")
            assert "READY=1" in first
            assert any(state.startswith("STATUS=") for state in first)
            heard = "".join(manager.recv(1000).decode() for _ in range(3))
            assert heard.count("WATCHDOG=1") == 3
            daemon.signal(signal.SIGSTOP)
            time.sleep(1.5)
            manager.setblocking(False)
            with suppress(BlockingIOError):
                for _ in range(3):  # what was said before it was frozen
                    manager.recv(1000)
            with pytest.raises(BlockingIOError):
                manager.recv(1000)
            daemon.signal(signal.SIGCONT)
            manager.settimeout(60)
            assert daemon.stop() == 0
            rest: list[str] = []
            while not any("STOPPING=1" in each for each in rest):
                rest.append(manager.recv(1000).decode())


@pytest.mark.broker
def test_ready_does_not_wait_for_the_broker(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        address = str(tmp_path / "notify")
        manager.bind(address)
        manager.settimeout(60)
        env = environment(NOTIFY_SOCKET=address)
        with Process(tmp_path, SHOP.format(port=free_port()), env=env) as daemon:
            assert "READY=1" in manager.recv(1000).decode()
            assert daemon.stop() == 0


def test_signals_before_the_daemon_is_there_are_not_lost(tmp_path: Path) -> None:
    """A SIGHUP while the program still loads must not end it; a SIGTERM must."""
    program = (
        "import os, signal, sys\n"
        "from gatehand.commands import run\n"
        "import gatehand.config as config\n"
        "real = config.load\n"
        "def load(path):\n"
        "    os.kill(os.getpid(), signal.SIGHUP)\n"
        "    os.kill(os.getpid(), signal.SIGTERM)\n"
        "    return real(path)\n"
        "config.load = load\n"
        "from gatehand.cli import main\n"
        "sys.exit(main())\n"
    )
    with Process(tmp_path, SHOP.format(port=free_port()), program=program) as daemon:
        assert daemon.wait() == 0, daemon.stderr
        assert daemon.lines()[-1]["event"] == "daemon_stopped"


@pytest.mark.broker
def test_a_changed_config_is_taken_upon_sighup_and_within_three_seconds_by_itself(
    broker: Mosquitto, tmp_path: Path
) -> None:
    text = SHOP.format(port=broker.port)
    with Shopfloor(broker.port) as floor, Process(tmp_path, text) as daemon:
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        daemon.config.write_text(text.replace("run_on = 0.5", "run_on = 7"))
        daemon.signal(signal.SIGHUP)
        wait_until(lambda: (floor.shown("tool/band_saw") or {}).get("run_on") == 7)
        wait_until(lambda: floor.shown("config")["asked"] == ["signal"], what="taken on behalf of the signal")
        daemon.config.write_text(text.replace("run_on = 0.5", "run_on = 8"))
        wait_until(lambda: (floor.shown("tool/band_saw") or {}).get("run_on") == 8)
        assert LOOK_EVERY * BEAT < 3
        daemon.config.write_text("tool = 7")
        wait_until(lambda: floor.shown("alarm/daemon.main.config"))
        assert floor.shown("config")["problems"]
        assert daemon.runs
        assert daemon.stop() == 0
        assert daemon.events("config_rejected")


@pytest.mark.broker
def test_a_config_that_became_a_pipe_stops_nothing_and_is_told_until_it_is_back(
    broker: Mosquitto, tmp_path: Path
) -> None:
    text = SHOP.format(port=broker.port)
    with Shopfloor(broker.port) as floor, Process(tmp_path, text) as daemon:
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        daemon.config.unlink()
        os.mkfifo(daemon.config)
        wait_until(lambda: "is a pipe" in (floor.shown("alarm/daemon.main.config") or {}).get("because", ""))
        floor.say("shop/band_saw/amps", "0")
        wait_until(lambda: floor.shown("tool/band_saw")["state"] == "idle")
        daemon.config.unlink()
        daemon.config.write_text(text)
        wait_until(lambda: floor.shown("alarm/daemon.main.config") is None)
        assert daemon.stop() == 0


@pytest.mark.broker
def test_a_reload_asked_over_mqtt_is_answered(broker: Mosquitto, tmp_path: Path) -> None:
    with Shopfloor(broker.port) as floor, Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        floor.say("gatehand/reload", "ask-1")
        wait_until(lambda: floor.shown("config")["asked"] == ["ask-1"])
        assert daemon.stop() == 0


@pytest.mark.broker
def test_a_stop_contact_whose_words_are_mended_is_read_anew_from_what_the_broker_retains(
    broker: Mosquitto, tmp_path: Path
) -> None:
    text = SHOP.format(port=broker.port)
    mended = text.replace('active = "1"\nclear = "0"', 'active = "pressed"\nclear = "released"')
    with Shopfloor(broker.port) as floor:
        floor.say("shop/estop", "pressed", retain=True)
        with Process(tmp_path, text) as daemon:
            wait_until(lambda: floor.shown("alarm/stop.emergency.unclear"))
            daemon.config.write_text(mended)
            daemon.signal(signal.SIGHUP)
            wait_until(lambda: (floor.shown("collector/main") or {}).get("state") == "held")
            wait_until(lambda: floor.shown("alarm/stop.emergency.unclear") is None)
            assert floor.shown("alarm/stop.emergency.active")
            floor.say("shop/estop", "", retain=True)
            floor.say("shop/estop", "released")
            wait_until(lambda: floor.shown("alarm/stop.emergency.active") is None, what="it is clear")
            floor.reset()
            wait_until(
                lambda: floor.shown("collector/main")["state"] == "off", what="nothing is left for the next test"
            )
            assert daemon.stop() == 0
