"""deploy/network.md, word for word: certificates, the encrypted listener, the plain one, and who may come in where.

Its commands run as they stand, but for paths, ports and the address of the shop's network (here 127.0.0.2), and so are
the settings in deploy/mosquitto/ that they copy. The broker is a real Mosquitto, reached as devices would.
"""

import os
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from broker_people import PASSWORD, ROOT, Person, shown, write_passwords
from support.child import wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand.config import load

pytestmark = pytest.mark.broker

NOTES = ROOT / "deploy/network.md"
LAN = "127.0.0.2"
AMPS, SWEEP, SET = "shop/band_saw/amps", "shop/gate/sweep/set", "shop/gate/band_saw/set"
STUBS = {
    "systemctl": 'echo "$*" >> "$STUBS/said"; case "$1" in reload) kill -HUP "$(cat "$STUBS/pid")" ;; esac',
    "logger": 'echo "$*" >> "$STUBS/said"',
    "gatehand": f'exec "{sys.executable}" -m gatehand "$@"',
}


@dataclass
class Network:
    """The machine of the notes in a folder of the broker's."""

    broker: Mosquitto
    tls: int = field(default_factory=free_port)
    plain: int = field(default_factory=free_port)

    @property
    def folder(self) -> Path:
        return self.broker.folder

    @property
    def ca_file(self) -> Path:
        return self.folder / "etc/certs/ca.crt"

    def translated(self, text: str) -> str:
        """Notes or settings, with what is elsewhere here."""
        for there, here in (
            ("listener 1883 127.0.0.1", f"listener {self.broker.port} 127.0.0.1"),
            ("listener 1883 192.168.20.1", f"listener {self.plain} {LAN}"),
            ("8883", str(self.tls)),
            ("(1883|", f"({self.broker.port}|{self.plain}|"),
            ("192.168.20.1", LAN),
            ("/etc/mosquitto", f"{self.folder}/etc"),
            ("/etc/cron.weekly", f"{self.folder}/weekly"),
            ("/etc/gatehand/config.toml", str(ROOT / "config.example.toml")),
            ("/root/shop-ca", f"{self.folder}/shop-ca"),
        ):
            text = text.replace(there, here)
        if os.geteuid() != 0:  # then the broker runs as whoever runs the test
            text = text.replace("-g mosquitto ", "").replace("chown mosquitto:", "true")
        return text

    def write_stubs(self) -> None:
        """Stand-ins for the programs that the notes call and that would change this computer."""
        for name, text in STUBS.items():
            file = self.folder / "stubs" / name
            file.write_text(f"#!/bin/sh\n{text}\n")
            file.chmod(0o755)

    def do(self, name: str, typed: str = "") -> str:
        """Carry out what the notes show under a name; what it printed."""
        return self.run(shown(NOTES, name), typed)

    def run(self, commands: str, typed: str = "") -> str:
        stubs = self.folder / "stubs"
        done = subprocess.run(  # noqa: S603 - of our own notes
            ["/bin/bash", "-euo", "pipefail", "-c", self.translated(commands)],
            cwd=self.folder,
            env={**os.environ, "PATH": f"{stubs}:{os.environ['PATH']}:/usr/sbin", "STUBS": str(stubs)},
            input=typed,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{commands}\n{done.stdout}{done.stderr}"
        return done.stdout

    @property
    def said(self) -> list[str]:
        """What the service manager and the system's log were told, oldest first."""
        return (self.folder / "stubs/said").read_text().splitlines()

    def at_home(self, name: str | None) -> Person:
        """By the listener on the machine itself."""
        return Person(self.broker.port, name)

    def over_tls(self, name: str | None) -> Person:
        return Person(self.tls, name, host=LAN, ca_file=self.ca_file)

    def in_the_clear(self, name: str | None) -> Person:
        return Person(self.plain, name, host=LAN)

    def certificate(self) -> dict[str, object]:
        """The one that the broker shows to whoever comes, checked by the shop's authority and for the address."""
        context = ssl.create_default_context(cafile=str(self.ca_file))
        context.verify_flags |= ssl.VERIFY_X509_STRICT
        plain = socket.create_connection((LAN, self.tls), timeout=30)
        with context.wrap_socket(plain, server_hostname=LAN) as encrypted:
            found = encrypted.getpeercert()
        assert found is not None
        return dict(found)


@pytest.fixture(scope="module")
def network() -> Iterator[Network]:
    """All of the notes, in their order."""
    for program in ("openssl", "mosquitto_passwd", "ss"):
        assert shutil.which(program, path=os.environ["PATH"] + ":/usr/sbin:/usr/bin"), f"needs the program {program}"
    net = Network(Mosquitto(listens=False))
    for name in ("etc/conf.d", "deploy/mosquitto", "weekly", "stubs"):
        (net.folder / name).mkdir(parents=True)
    net.write_stubs()
    for file in (ROOT / "deploy/mosquitto").glob("*.conf"):
        (net.folder / "deploy/mosquitto" / file.name).write_text(net.translated(file.read_text()))
    shutil.copy(net.folder / "deploy/mosquitto/gatehand.conf", net.folder / "etc/conf.d")
    write_passwords(net.folder / "etc/gatehand.passwd", ["gatehand", "viewer", "hands", "gate-planing"])
    typed = f"{PASSWORD}\n{PASSWORD}\n"
    net.do("list")
    net.run(shown(NOTES, "login").partition("\n")[0], typed)
    for name in ("authority", "broker", "install", "installed", "plain"):
        net.do(name)
    for line in shown(NOTES, "plain login").splitlines():
        net.run(line, typed)
    net.broker.configure(f"include_dir {net.folder}/etc/conf.d")
    with net.broker:
        (net.folder / "stubs/pid").write_text(str(net.broker.pid))
        yield net


@pytest.fixture
def evening() -> Iterator[Network]:
    """The listener for the evening before there is a config."""
    net = Network(Mosquitto(listens=False))
    for name in ("etc/conf.d", "stubs"):
        (net.folder / name).mkdir(parents=True)
    net.write_stubs()
    net.do("evening")
    for line in shown(NOTES, "evening login").splitlines():
        net.run(line, f"{PASSWORD}\n{PASSWORD}\n")
    # By the first the helper sees that the broker is up.
    net.broker.configure(f"listener {net.broker.port} 127.0.0.1", f"include_dir {net.folder}/etc/conf.d")
    with net.broker:
        yield net


@pytest.fixture
def people(network: Network) -> Iterator[ExitStack]:
    """Whoever is let in with `enter` leaves at the end."""
    del network
    with ExitStack() as stack:
        yield stack


def let_in(stack: ExitStack, person: Person) -> Person:
    stack.callback(person.leave)
    return person


def test_the_broker_listens_where_the_notes_say_and_nowhere_else(network: Network) -> None:
    lines = [line.split()[3] for line in network.do("listening").splitlines()]
    assert sorted(lines) == sorted(
        [f"127.0.0.1:{network.broker.port}", f"{LAN}:{network.plain}", f"{LAN}:{network.tls}"]
    )
    for port in (network.plain, network.tls):
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), timeout=30)


def test_before_there_is_a_config_whoever_has_a_login_is_heard_and_init_hears_all(evening: Network) -> None:
    with ExitStack() as people:
        init, gate = (let_in(people, evening.in_the_clear(name)) for name in ("evening", "gate-band_saw"))
        init.listen("#")
        gate.say("shop/gate/1/state", "open")
        init.has_heard(("shop/gate/1/state", b"open"))
        for name in (None, "somebody"):
            assert let_in(people, evening.in_the_clear(name)).refused == "Not authorized"
    evening.do("evening over")
    assert evening.said[-1] == "restart mosquitto"
    assert not list((evening.folder / "etc").rglob("*evening*"))


def test_the_authority_and_the_certificate_are_what_the_notes_say(network: Network) -> None:
    found = network.certificate()
    assert found["subjectAltName"] == (("IP Address", LAN), ("DNS", "shop.home.arpa"))
    ends = datetime.strptime(str(found["notAfter"]), "%b %d %H:%M:%S %Y %Z").replace(tzinfo=UTC)
    assert timedelta(days=824) < ends - datetime.now(UTC) <= timedelta(days=825)
    assert (network.folder / "shop-ca").stat().st_mode & 0o777 == 0o700
    assert (network.folder / "shop-ca/ca.key").stat().st_mode & 0o077 == 0
    assert (network.folder / "etc/certs/broker.key").stat().st_mode & 0o777 == 0o640
    said = network.do("look")
    assert "subject=CN = shop broker" in said
    assert "Verify return code: 0 (ok)" in said


def test_another_address_or_name_than_those_in_the_certificate_is_refused(network: Network) -> None:
    context = ssl.create_default_context(cafile=str(network.ca_file))
    with pytest.raises(ssl.SSLCertVerificationError):
        context.wrap_socket(socket.create_connection((LAN, network.tls), timeout=30), server_hostname="127.0.0.1")
    by_name = socket.create_connection((LAN, network.tls), timeout=30)
    context.wrap_socket(by_name, server_hostname="shop.home.arpa").close()


def test_a_device_that_speaks_plain_to_the_encrypted_listener_gets_no_answer(network: Network) -> None:
    with socket.create_connection((LAN, network.tls), timeout=30) as plain:
        plain.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")
        with suppress(ConnectionResetError):
            assert not plain.recv(4).startswith(b"\x20"), "no CONNACK"


@pytest.mark.parametrize("name", [None, "somebody"])
def test_nobody_comes_in_without_a_login(network: Network, people: ExitStack, name: str | None) -> None:
    for come in (network.at_home, network.over_tls, network.in_the_clear):
        assert let_in(people, come(name)).refused == "Not authorized"


@pytest.mark.parametrize("name", ["gatehand", "viewer", "hands", "gate-band_saw"])
def test_a_login_of_the_encrypted_side_opens_nothing_in_the_clear(
    network: Network, people: ExitStack, name: str
) -> None:
    assert let_in(people, network.over_tls(name)).refused is None
    assert let_in(people, network.in_the_clear(name)).refused == "Not authorized"


@pytest.mark.parametrize("name", ["tool-band_saw", "gate-sweep"])
def test_a_login_that_was_overheard_in_the_clear_opens_nothing_else(
    network: Network, people: ExitStack, name: str
) -> None:
    assert let_in(people, network.in_the_clear(name)).refused is None
    assert let_in(people, network.over_tls(name)).refused == "Not authorized"
    assert let_in(people, network.at_home(name)).refused == "Not authorized"


def test_a_plain_device_says_its_own_and_the_daemon_hears_no_more_of_it(network: Network, people: ExitStack) -> None:
    daemon, tool = let_in(people, network.at_home("gatehand")), let_in(people, network.in_the_clear("tool-band_saw"))
    for topic in (AMPS, "shop/estop", SET, "gatehand/#"):
        daemon.listen(topic)
    for topic in ("shop/estop", SET, "gatehand/collector/main/reset", "gatehand/gate/sweep/hand", AMPS):
        tool.say(topic, "1")
    daemon.has_heard((AMPS, b"1"))


def test_the_daemon_tells_devices_on_either_listener_and_each_its_own(network: Network, people: ExitStack) -> None:
    daemon = let_in(people, network.at_home("gatehand"))
    saw, sweep = let_in(people, network.over_tls("gate-band_saw")), let_in(people, network.in_the_clear("gate-sweep"))
    for device in (saw, sweep):
        for topic in (SET, SWEEP):
            device.listen(topic)
    daemon.say(SET, "open")
    daemon.say(SWEEP, "open")
    saw.has_heard((SET, b"open"))
    sweep.has_heard((SWEEP, b"open"))


def test_the_end_of_the_certificate_is_told_in_the_last_thirty_days(network: Network) -> None:
    assert network.do("watch").startswith("notAfter=")
    network.run("/etc/cron.weekly/shop-certificate")
    assert not any("certificate ends" in line for line in network.said)
    at = network.folder / "etc/certs/broker.crt"
    good = at.read_bytes()
    network.run(shown(NOTES, "renew").replace("-days 825", "-days 20").partition("systemctl")[0])
    try:
        network.run("/etc/cron.weekly/shop-certificate")
    finally:
        at.write_bytes(good)
    assert network.said[-1].startswith("-p user.warning the broker's certificate expires within 30 days")


def test_a_renewed_certificate_is_shown_after_a_reload_and_cuts_nobody_off(network: Network, people: ExitStack) -> None:
    daemon, saw = let_in(people, network.at_home("gatehand")), let_in(people, network.over_tls("gate-band_saw"))
    saw.listen(SET)
    before = network.certificate()["serialNumber"]
    network.do("renew")
    assert network.said[-1] == "reload mosquitto"
    wait_until(lambda: network.certificate()["serialNumber"] != before)
    daemon.say(SET, "open")
    saw.has_heard((SET, b"open"))


def test_a_login_that_is_added_counts_after_a_reload_and_one_that_is_taken_away_no_more(
    network: Network, people: ExitStack
) -> None:
    assert let_in(people, network.over_tls("stop-emergency")).refused == "Not authorized"
    add = shown(NOTES, "login").replace("gate-band_saw", "stop-emergency")
    network.run(add, f"{PASSWORD}\n{PASSWORD}\n")
    wait_until(lambda: let_in(people, network.over_tls("stop-emergency")).refused is None)
    network.run("mosquitto_passwd -D /etc/mosquitto/gatehand.passwd stop-emergency; systemctl reload mosquitto")
    wait_until(lambda: let_in(people, network.over_tls("stop-emergency")).refused == "Not authorized")


def test_the_logins_in_the_notes_are_those_of_the_example(network: Network) -> None:
    config = load(ROOT / "config.example.toml").config
    assert config is not None
    plain = (network.folder / "etc/gatehand_plain.acl").read_text()
    assert [line for line in plain.splitlines() if line.startswith("user ")] == [
        "user gate-sweep",
        "user tool-band_saw",
    ]
    assert "topic write shop/band_saw/amps" in plain
    assert "gatehand/" not in plain.partition("\nuser ")[2]
