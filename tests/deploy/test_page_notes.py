"""deploy/page.md, word for word: the page's certificate, its config, a web server in front, as a phone finds them.

The commands run as they are shown, but for paths, ports and the address of the shop's network (here 127.0.0.2). The
page is the real one; its broker is not there, which it shows.
"""

import http.client
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from broker_people import ROOT, shown
from support.child import environment, wait_until
from support.ports import free_port

from gatehand.config import load_text

NOTES = ROOT / "deploy/page.md"
LAN, NAME = "127.0.0.2", "shop.local"
PATH = f"{os.environ['PATH']}:/usr/sbin:/usr/bin"


@dataclass
class Shop:
    """The computer of the notes in a folder."""

    folder: Path
    direct: int = field(default_factory=free_port)
    behind: int = field(default_factory=free_port)
    """The page's port on this computer alone, with a web server in front."""
    front: int = field(default_factory=free_port)

    def translated(self, text: str) -> str:
        """Notes or settings, with what is elsewhere here."""
        for there, here in (
            ("8443", str(self.direct)),
            ("192.168.20.1:443", f"{LAN}:{self.front}"),
            ("127.0.0.1:8080", f"127.0.0.1:{self.behind}"),
            ("192.168.20.1", LAN),
            ("/root/page-ca", f"{self.folder}/page-ca"),
            ("/etc/", f"{self.folder}/etc/"),
            ("-g gatehand-page ", ""),  # a user that is not here
        ):
            text = text.replace(there, here)
        return text

    def do(self, name: str) -> str:
        """Carry out what the notes show under a name; what it printed."""
        stubs = self.folder / "stubs"
        done = subprocess.run(  # noqa: S603 - of our own notes
            ["/bin/bash", "-euo", "pipefail", "-c", self.translated(shown(NOTES, name))],
            cwd=self.folder,
            env=environment(PATH=f"{stubs}:{PATH}", STUBS=str(stubs)),
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{name}\n{done.stdout}{done.stderr}"
        return done.stdout

    def write_config(self, page: str) -> Path:
        """The example with another `[page]`, beside a broker that is not there."""
        file = self.folder / "etc/gatehand/config.toml"
        text = without_page().replace("# port = 1883 ", f"port = {free_port()} ")
        file.write_text(f"{text}\n{self.translated(page)}")
        return file

    @contextmanager
    def served(self, port: int, host: str) -> Iterator[None]:
        """The page, by the config that there is."""
        with (self.folder / "page.log").open("w+") as log:
            child = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "gatehand", "page", "--config", str(self.folder / "etc/gatehand/config.toml")],
                stdout=log,
                stderr=log,
                env=environment(STATE_DIRECTORY=str(self.folder / "state")),
            )
            try:
                wait_until(lambda: child.poll() is not None or listens(host, port), what="it listens")
                assert child.poll() is None, (self.folder / "page.log").read_text()
                yield
            finally:
                child.terminate()
                child.wait(30)

    def phone(self, port: int, name: str = NAME) -> http.client.HTTPSConnection:
        """A browser that trusts the page's authority, and knows the page by `name`."""
        context = ssl.create_default_context(cafile=str(self.folder / "page-ca/ca.crt"))
        context.verify_flags |= ssl.VERIFY_X509_STRICT
        call = http.client.HTTPSConnection(name, port, context=context, timeout=60)
        raw = socket.create_connection((LAN, port), timeout=60)
        call.sock = context.wrap_socket(raw, server_hostname=name)
        return call


def without_page() -> str:
    """The example without its `[page]`."""
    example = (ROOT / "config.example.toml").read_text()
    parts = [part for part in example.split("\n\n") if not part.startswith("[page]")]
    assert len(parts) == example.count("\n\n"), "it is taken out"
    return "\n\n".join(parts)


def listens(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=1).close()
    except OSError:
        return False
    return True


def toml(name: str) -> str:
    """A TOML block of the notes: the one that is marked, or the unmarked one behind the block that is."""
    text = NOTES.read_text()
    return text[text.index(f"<!-- tried: {name} -->") :].partition("```toml\n")[2].partition("```")[0]


def blocks() -> list[str]:
    """Every TOML block of the notes."""
    return re.findall(r"^```toml\n(.*?)^```$", NOTES.read_text(), re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    assert shutil.which("openssl", path=PATH), "needs the program openssl"
    made = Shop(tmp_path_factory.mktemp("page"))
    for name in (
        "etc/gatehand",
        "etc/mosquitto",
        "etc/nginx/sites-enabled",
        "etc/cron.weekly",
        "deploy/nginx",
        "stubs",
        "state",
    ):
        (made.folder / name).mkdir(parents=True)
    for name, text in {
        "systemctl": 'echo "$*" >> "$STUBS/said"',
        "logger": 'echo "$*" >> "$STUBS/logged"',
        "gatehand": f'exec "{sys.executable}" -m gatehand "$@"',
    }.items():
        (made.folder / "stubs" / name).write_text(f"#!/bin/sh\n{text}\n")
        (made.folder / "stubs" / name).chmod(0o755)
    made.do("authority")
    made.do("certificate")
    return made


def test_a_phone_that_trusts_the_authority_reads_the_page_by_address_and_by_name(shop: Shop) -> None:
    shop.write_config(toml("config"))
    with shop.served(shop.direct, LAN):
        look = shop.do("look")
        assert "subject=CN = shop page" in look
        assert "Verify return code: 0 (ok)" in look
        for name in (LAN, NAME):
            with closing(shop.phone(shop.direct, name)) as call:
                call.request("GET", "/")
                answer = call.getresponse()
                assert (answer.status, answer.getheader("Content-Type", "").partition(";")[0]) == (200, "text/html")


def test_the_config_is_in_order_and_the_login_may_ask_for_what_it_allows(shop: Shop) -> None:
    shop.write_config(toml("config"))
    said = shop.do("services")
    assert ": error: " not in said
    rights = (shop.folder / "etc/mosquitto/gatehand.acl").read_text().partition("user page\n")[2].partition("\n\n")[0]
    assert rights.splitlines() == [
        "topic read gatehand/#",
        "topic write gatehand/gate/+/hand",
        "topic write gatehand/collector/+/hold",
        "topic write gatehand/collector/+/reset",
    ]
    assert (shop.folder / "stubs/said").read_text().splitlines()[-2:] == [
        "reload mosquitto",
        "restart gatehand-page",
    ]


@pytest.mark.parametrize("page", blocks())
def test_each_config_that_is_shown_is_taken(page: str) -> None:
    assert not load_text(f"{without_page()}\n{page}", ROOT / "config.toml", files=False).problems


def test_who_only_looks_without_encryption_cannot_ask_too() -> None:
    (look_only,) = (block for block in blocks() if "allow" not in block)
    found = load_text(f'{without_page()}\n{look_only}allow = ["reset"]\n', ROOT / "config.toml", files=False)
    assert ["which is not encrypted" in str(each) for each in found.errors] == [True]


def test_the_authority_can_vouch_for_nothing_else(shop: Shop) -> None:
    """Else whoever gets its key could show the phones that trust it any page as true."""
    folder = shop.folder / "page-ca"
    for name, san, fits in (
        ("own", f"DNS:{NAME}", True),
        ("bank", "DNS:bank.example", False),
        ("far", "IP:127.0.0.3", False),
    ):
        (folder / f"{name}.ext").write_text(f"subjectAltName={san}\nbasicConstraints=CA:FALSE\n")
        for words in (
            f"req -new -newkey rsa:2048 -nodes -subj /CN=x -keyout {name}.key -out {name}.csr",
            f"x509 -req -in {name}.csr -CA ca.crt -CAkey ca.key -days 9 -extfile {name}.ext -out {name}.crt",
        ):
            subprocess.run(["openssl", *words.split()], cwd=folder, check=True, capture_output=True)  # noqa: S603, S607
        judged = subprocess.run(  # noqa: S603
            ["openssl", "verify", "-CAfile", "ca.crt", f"{name}.crt"],  # noqa: S607
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert (judged.returncode == 0) is fits, judged.stdout + judged.stderr
        assert fits or "permitted subtree violation" in judged.stderr


def test_a_renewed_certificate_is_trusted_as_the_old_one_was(shop: Shop) -> None:
    certificate, key = (shop.folder / f"etc/gatehand/page.{end}" for end in ("crt", "key"))
    before = certificate.read_bytes(), key.read_bytes()
    shop.do("renew")
    assert certificate.read_bytes() != before[0]
    assert key.read_bytes() == before[1]
    assert (key.stat().st_mode & 0o777, certificate.stat().st_mode & 0o777) == (0o640, 0o644)
    shop.write_config(toml("config"))
    with shop.served(shop.direct, LAN), closing(shop.phone(shop.direct)) as call:
        call.request("GET", "/")
        assert call.getresponse().status == 200


def test_the_weekly_look_warns_of_a_certificate_that_expires_soon_and_of_no_other(shop: Shop) -> None:
    shop.do("watch")
    look, said = shop.folder / "etc/cron.weekly/page-certificate", shop.folder / "stubs/logged"
    stubs = shop.folder / "stubs"
    folder, certificate = shop.folder / "page-ca", shop.folder / "etc/gatehand/page.crt"
    for days, warns in ((31, False), (29, True)):
        words = f"x509 -req -in page.csr -CA ca.crt -CAkey ca.key -days {days} -extfile page.ext -out {certificate}"
        subprocess.run(["openssl", *words.split()], cwd=folder, check=True, capture_output=True)  # noqa: S603, S607
        said.unlink(missing_ok=True)
        subprocess.run([look], env=environment(PATH=f"{stubs}:{PATH}", STUBS=str(stubs)), check=True)  # noqa: S603
        assert said.exists() is warns, days
    assert "deploy/page.md" in said.read_text()
    shop.do("renew")


# With a web server in front


@contextmanager
def nginx(shop: Shop) -> Iterator[None]:
    """The real one, with the settings of deploy/ and all that it writes in the folder."""
    program = shutil.which("nginx", path=PATH)
    assert program is not None
    where = shop.folder / "etc/nginx"
    temporary = "".join(
        f"{kind}_temp_path {where}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (where / "nginx.conf").write_text(
        f"daemon off; pid {where}/pid; error_log {where}/errors; worker_processes 1; events {{}}\n"
        f"http {{ {temporary} include {where}/sites-enabled/*; }}\n"
    )
    stub = shop.folder / "stubs/nginx"
    stub.write_text(f'#!/bin/sh\nexec {program} -e {where}/errors -c {where}/nginx.conf "$@"\n')
    stub.chmod(0o755)
    (shop.folder / "deploy/nginx/gatehand-page.conf").write_text(
        shop.translated((ROOT / "deploy/nginx/gatehand-page.conf").read_text())
    )
    shop.do("nginx")
    child = subprocess.Popen([stub], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # noqa: S603
    try:
        wait_until(lambda: child.poll() is not None or listens(LAN, shop.front), what="nginx listens")
        assert child.poll() is None, (where / "errors").read_text()
        yield
    finally:
        child.terminate()
        child.wait(30)


@pytest.fixture(scope="module")
def behind_nginx(shop: Shop) -> Iterator[Shop]:
    if shutil.which("nginx", path=PATH) is None:
        pytest.skip("needs nginx: apt-get install nginx-light")
    shop.write_config(toml("nginx").replace("[page]\n", f'[page]\nlisten = "127.0.0.1:{shop.behind}"\n'))
    with ExitStack() as stack:
        stack.enter_context(shop.served(shop.behind, "127.0.0.1"))
        stack.enter_context(nginx(shop))
        yield shop


def test_behind_a_web_server_each_word_reaches_the_phone_at_once(behind_nginx: Shop) -> None:
    with closing(behind_nginx.phone(behind_nginx.front)) as call:
        call.request("GET", "/events")
        answer = call.getresponse()
        assert answer.status == 200
        lines = [
            answer.readline().decode().strip() for _ in range(9)
        ]  # a few hundred bytes of a stream that never ends
        assert "event: parts" in lines
        assert "event: tick" in lines


def test_behind_a_web_server_the_page_takes_its_own_requests_and_nobody_elses(behind_nginx: Shop) -> None:
    """`X-Forwarded-Proto` and `Host` tell it how the phone called: its origin is https."""
    own = f"https://{NAME}:{behind_nginx.front}"
    said = {}
    for origin in (own, "https://elsewhere.example", f"http://{NAME}:{behind_nginx.front}"):
        with closing(behind_nginx.phone(behind_nginx.front)) as call:
            headers = {"Origin": origin, "Content-Type": "application/json"}
            call.request("POST", "/pair", body='{"code": "AAAA-AAAA"}', headers=headers)
            answer = call.getresponse()
            said[origin] = (answer.status, answer.read().decode())
    assert "There is no code" in said[own][1], said
    for origin in said.keys() - {own}:
        assert said[origin][0] == 403
        assert "did not come from the page itself" in said[origin][1]
