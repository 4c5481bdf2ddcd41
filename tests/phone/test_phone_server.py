"""The process of the page: it shows what becomes of broker and daemon, follows its config, and ends well."""

import os
import resource
import signal
import socket
import ssl
import subprocess
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from page_process import Page, Speaker, Stream, shop
from paho.mqtt.enums import CallbackAPIVersion
from support.certificates import make_authority, make_broker_certificate
from support.child import RunningDaemon, environment, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand.phone.server import say

pytestmark = pytest.mark.broker

MOST_KB = 60_000
"""Resident memory of `gatehand page` with ten phones, measured as VmRSS: the limit that the project sets itself."""


def test_a_broker_that_is_killed_or_frozen_is_shown_as_lost_and_comes_back_by_itself(tmp_path: Path) -> None:
    with Mosquitto(persistent=True) as broker, Page(tmp_path, shop(broker.port, free_port())) as page:
        page.up()
        with Speaker(broker.port) as daemon, Stream(page) as phone:
            daemon.say("gate/planing", {"state": "open"})
            phone.until("well")
            wait_until(lambda: "station:planing" in phone.parts, what="what is retained is shown")
            broker.sigstop()
            phone.until("lost")
            assert phone.parts["station:planing"]["state"] == "open"
            broker.sigcont()
            phone.until("well")
            broker.kill9()
            phone.until("lost")
            assert phone.parts["station:planing"]["state"] == "open"
            broker.revive()
            daemon.say("online", b"1")
            phone.until("well")
            daemon.beats = False
            phone.until("lost")
            daemon.beats = True
            phone.until("well")
            daemon.say("online", b"0")
            phone.until("lost")


def test_a_daemon_that_is_frozen_or_killed_is_shown_as_lost_and_a_crowd_at_the_page_is_none_at_the_daemon(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Page(tmp_path, shop(broker.port, free_port())) as page, Stream(page.up()) as phone, ExitStack() as stack:
        daemon = stack.enter_context(RunningDaemon(tmp_path))
        phone.until("well")
        told = list[str]()
        floor = paho.Client(CallbackAPIVersion.VERSION2)
        floor.on_message = lambda _client, _userdata, message: told.append(message.topic)
        floor.on_connect = lambda client, *_: client.subscribe("shop/gate/planing/set", 1)
        floor.connect("127.0.0.1", broker.port)
        floor.loop_start()
        stack.callback(floor.loop_stop)
        stack.callback(floor.disconnect)

        for _ in range(200):
            stack.enter_context(page.connect())
        wait_until(lambda: "shut" in str(phone.parts.get("station:planing")), what="the daemon has settled")
        told.clear()
        for amps in ("0.1", "0.2", "5"):
            time.sleep(1.2)  # a rise counts once two words a second apart have shown it at rest
            floor.publish("shop/band_saw/amps", amps, 1)
        wait_until(lambda: told, what="the saw's gate is told to open")
        os.kill(daemon.pid, signal.SIGSTOP)
        phone.until("lost")
        os.kill(daemon.pid, signal.SIGCONT)
        phone.until("well")
        daemon.kill()
        phone.until("lost")


def test_a_login_that_the_broker_refuses_is_shown_and_the_page_comes_once_it_is_let_in(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    login = f'username = "viewer"\npassword_file = "{secret}"'
    with Mosquitto(anonymous=False) as broker:
        passwords = broker.folder / "passwords"
        passwords.write_text("viewer:right\n")
        subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True, capture_output=True)  # noqa: S603, S607
        passwords.chmod(0o644)
        broker.stop()
        broker.configure(f"password_file {passwords}", anonymous=False)
        broker.start()
        with Page(tmp_path, shop(broker.port, free_port(), login=login)) as page, Stream(page.up()) as phone:
            wait_until(lambda: "viewer" in phone.parts.get("reached", {}).get("text", ""), what=str(phone.parts))
            assert phone.reached == "lost"
            broker.stop()
            broker.configure(anonymous=True)
            broker.start()
            with Speaker(broker.port):
                phone.until("well")


def test_a_changed_config_is_followed_and_one_with_a_mistake_is_not(tmp_path: Path) -> None:
    with Mosquitto() as broker, Speaker(broker.port) as daemon:
        text = shop(broker.port, free_port())
        with Page(tmp_path, text) as page, Stream(page.up()) as phone:
            for gate in ("planing", "carving"):
                daemon.say(f"gate/{gate}", {"state": "shut"})

            def stations() -> list[str]:
                order = phone.parts.get("shop", {}).get("order", [])
                return [key for key in order if key.startswith("station:")]

            def caution() -> str:
                return str(phone.parts["shop"]["caution"])

            wait_until(lambda: stations() == ["station:planing", "station:carving"], what=str(phone.parts))
            begun = caution()
            planing, carving = (text.index(f"[gate.{name}]") for name in ("planing", "carving"))
            tools = text.index("[tool.band_saw]")
            turned = text[:planing] + text[carving:tools] + text[planing:carving] + text[tools:]
            page.config.write_text(turned)
            wait_until(lambda: stations() == ["station:carving", "station:planing"], what="the other order")
            page.config.write_text(turned.replace("start_amps = 2.5", "start_amps = -1"))
            wait_until(lambda: "mistakes" in caution(), what="the caution")
            assert "config not taken" in page.said
            assert "start_amps" in page.said
            assert stations() == ["station:carving", "station:planing"]
            page.config.unlink()
            wait_until(lambda: "is gone" in caution(), what="the caution")
            page.config.write_text(turned)
            wait_until(lambda: caution() == begun, what="the caution is over")
            page.config.write_text(turned.replace(f'"127.0.0.1:{page.port}"', '"127.0.0.1:1"'))
            wait_until(lambda: "[page] listen" in caution(), what="it wants a restart")
            page.config.write_text(turned.replace(f"port = {broker.port}", "port = 1"))
            wait_until(lambda: "[broker]" in caution(), what="it wants a restart")
            assert "Restart gatehand page" in caution()


def test_a_renewed_certificate_is_taken_and_one_that_cannot_be_used_is_not(tmp_path: Path) -> None:
    authority = make_authority(tmp_path, "shop")
    make_broker_certificate(tmp_path, "shop")
    certificate, key = (tmp_path / f"broker.{end}" for end in ("crt", "key"))
    tls = f'tls = {{ cert_file = "{certificate}", key_file = "{key}" }}'
    context = ssl.create_default_context(cafile=str(authority))
    with Page(tmp_path, shop(free_port(), free_port(), more=tls)) as page:
        page.up()
        assert page.get("/me", context)[0] == 200

        def serial() -> str:
            with page.connect() as sock, context.wrap_socket(sock, server_hostname="127.0.0.1") as encrypted:
                found = encrypted.getpeercert()
                assert found is not None
                return str(found["serialNumber"])

        first = serial()
        certificate.write_text("no certificate")
        wait_until(lambda: "stays in use" in page.said, what=page.said)
        assert serial() == first
        make_broker_certificate(tmp_path, "shop")
        wait_until(lambda: serial() != first, what="the new one is shown")
        with page.connect() as sock:
            sock.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")  # not encrypted: it is hung up on, and harms nobody
            assert sock.recv(1000)[:5] != b"HTTP/"
        assert page.get("/me", context)[0] == 200
        assert "Traceback" not in page.said


def test_a_certificate_that_cannot_be_used_ends_the_start_with_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "cert.pem").write_text("none")
    (tmp_path / "key.pem").write_text("none")
    tls = 'tls = { cert_file = "cert.pem", key_file = "key.pem" }'
    with Page(tmp_path, shop(free_port(), free_port(), more=tls)) as page:
        assert page.wait() == 78
        assert "cert.pem" in page.said
        assert "[page] tls" in page.said
        assert "Traceback" not in page.said


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_with_its_streams_and_the_exit_code_0(
    broker: Mosquitto, tmp_path: Path, number: signal.Signals
) -> None:
    with Page(tmp_path, shop(broker.port, free_port())) as page:
        page.up()
        with Stream(page) as one, Stream(page) as other, page.connect():
            wait_until(lambda: one.ticks and other.ticks, what="both follow")
            page.signal(number)
            assert page.wait() == 0
            wait_until(lambda: one.has_ended and other.has_ended, what="both have ended")
        assert "Traceback" not in page.said
        assert "error" not in page.said


@pytest.mark.parametrize("under_systemd", [False, True])
def test_nothing_that_is_said_moves_a_terminals_cursor_or_begins_a_line_of_its_own(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], under_systemd: bool
) -> None:
    monkeypatch.delenv("JOURNAL_STREAM", raising=False)
    if under_systemd:
        monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    say("error", "a \x1b[2Jfault\u202e\n<0>of\x9b1A strangers\r<2>words")
    lines = capsys.readouterr().err.split("\n")
    assert len(lines) == 4
    assert all(line.isprintable() for line in lines)
    assert all(line.startswith("<3>") for line in lines[:3]) is under_systemd


def test_the_service_manager_hears_ready_the_watchdog_and_stopping(tmp_path: Path) -> None:
    """Ready does not wait for the broker."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        env = environment(NOTIFY_SOCKET=str(tmp_path / "notify"))
        with Page(tmp_path, shop(free_port(), free_port()), env=env) as page:
            heard = manager.recv(1000).decode()
            assert "READY=1" in heard
            page.connect().close()
            for _ in range(2):
                assert manager.recv(1000) == b"WATCHDOG=1"
            page.signal(signal.SIGTERM)
            while manager.recv(1000) != b"STOPPING=1":
                pass
            assert page.wait() == 0


def test_without_files_to_open_it_goes_on_and_takes_whoever_comes_once_there_are_some(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Page(tmp_path, shop(broker.port, free_port())) as page, Speaker(broker.port) as daemon:
        page.up()
        with Stream(page) as phone:
            phone.until("well")
            soft, hard = resource.prlimit(page.pid, resource.RLIMIT_NOFILE)
            opened = len(os.listdir(f"/proc/{page.pid}/fd"))  # noqa: PTH208 - their number
            resource.prlimit(page.pid, resource.RLIMIT_NOFILE, (opened + 5, hard))
            crowd = [page.connect() for _ in range(20)]
            wait_until(lambda: "Too many open files" in page.said, what="it notices")
            daemon.say("gate/planing", {"state": "open"})
            wait_until(lambda: phone.parts.get("station:planing", {}).get("state") == "open", what="it goes on")
            for sock in crowd:
                sock.close()
            assert page.get("/me")[0] == 200
            resource.prlimit(page.pid, resource.RLIMIT_NOFILE, (soft, hard))
            assert page.said.count("Too many open files") < 5


def _shows(phone: Stream, text: str) -> bool:
    return text in str(phone.parts).lower()


def test_resident_memory_with_ten_phones_a_thousand_updates_and_two_hundred_left_connections(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Page(tmp_path, shop(broker.port, free_port())) as page, Speaker(broker.port) as daemon:
        page.up()
        phones = [Stream(page) for _ in range(10)]
        try:
            for number in range(200):
                with page.connect() as sock:
                    if number % 2:
                        sock.sendall(b"GET / HT")
            for number in range(1000):
                daemon.say("collector/main", {"state": "running", "because": f"number {number}"})
            for phone in phones:
                wait_until(partial(_shows, phone, "number 999"), what="the last word")
            used = page.resident_kb
            print(f"resident {used:,} kB")
            assert used < MOST_KB
        finally:
            for phone in phones:
                phone.__exit__(None, None, None)
