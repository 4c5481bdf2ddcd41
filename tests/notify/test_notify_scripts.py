"""The programs of deploy/ that mail and post what they read, with a mailer and a web server of the test's own."""

import email
import email.policy
import http.server
import json
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from notify_support import GATE, entry, payload
from support.child import environment

from gatehand.notify.digest import told
from gatehand.notify.entry import as_input, entry_of

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
MAIL, PUSH = DEPLOY / "notify-mail.py", DEPLOY / "notify-push.sh"
OWNER = "owner@shop.example"


class Mailer:
    """A `sendmail` that keeps what it gets."""

    def __init__(self, folder: Path, code: int = 0) -> None:
        self.folder = folder
        self.path = folder / "sendmail"
        self.path.write_text(
            f"#!/bin/sh\nprintf '%s\\n' \"$@\" > {folder}/arguments\ncat > {folder}/mail\nexit {code}\n"
        )
        self.path.chmod(0o755)

    def send(self, given: bytes, *words: str) -> subprocess.CompletedProcess[bytes]:
        env = environment(SENDMAIL=str(self.path), MAIL_FROM="gatehand@shop.example")
        command = [sys.executable, str(MAIL), *words]
        return subprocess.run(command, input=given, capture_output=True, env=env, check=False)  # noqa: S603

    @property
    def mail(self) -> EmailMessage:
        found = email.message_from_bytes((self.folder / "mail").read_bytes(), policy=email.policy.default)
        assert isinstance(found, EmailMessage)
        return found


def test_an_alarm_becomes_a_mail(tmp_path: Path) -> None:
    mailer = Mailer(tmp_path)
    found = entry_of(GATE, payload(because="Gate “band saw” is jammed: free it…"))
    assert found is not None
    done = mailer.send(as_input([found.shown(), entry("stop.a.active").over("then").shown()]), OWNER, GATE)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "arguments").read_text().split() == ["-i", "--", OWNER]
    mail = mailer.mail
    assert (mail["To"], mail["Subject"]) == (OWNER, "Gatehand: ALARM: gate band saw fault and 1 more")
    body = mail.get_content()
    assert "Gate “band saw” is jammed: free it…" in body
    assert "Lock a machine out before you reach into it" in body


def test_no_text_of_an_alarm_begins_a_header(tmp_path: Path) -> None:
    mailer = Mailer(tmp_path)
    evil = "x\r\nBcc: thief@elsewhere.example\r\n\r\nbody\n.\n"
    given: list[dict[str, Any]] = [{**entry().shown(), key: evil} for key in entry().shown()]
    for one in (*given, dict.fromkeys(entry().shown(), evil)):
        assert mailer.send(json.dumps([one]).encode(), OWNER).returncode == 0
        assert mailer.mail.keys() == [
            "To",
            "From",
            "Subject",
            "Content-Type",
            "Content-Transfer-Encoding",
            "MIME-Version",
        ]
        assert len(mailer.mail["Subject"]) < 200


def test_a_digest_becomes_a_mail(tmp_path: Path) -> None:
    mailer = Mailer(tmp_path)
    facts: dict[str, object] = {"problem": None, "text": "tool  cuts\nband saw  12"}
    assert mailer.send(as_input([told(facts, (0, 86_400), [entry().shown()])]), OWNER).returncode == 0
    assert mailer.mail["Subject"].startswith("Gatehand: The shop to 1970-01-0")
    assert "band saw  12\n" in mailer.mail.get_content()
    assert "Active now: gate band saw fault: so" in mailer.mail.get_content()
    assert mailer.send(as_input([told({"problem": "no log here"}, (0, 86_400), [])]), OWNER).returncode == 0
    assert "no log here" in mailer.mail.get_content()


def test_a_mailer_that_fails_is_the_programs_failure_and_an_address_is_wanted(tmp_path: Path) -> None:
    mailer = Mailer(tmp_path, 75)
    given = as_input([entry().shown()])
    assert mailer.send(given, OWNER).returncode == 75
    for words in ((), ("-oops@x",), ("gate.band_saw.fault",)):
        done = mailer.send(given, *words)
        assert done.returncode == 2
        assert b"owner@shop.example" in done.stderr


class Server(http.server.ThreadingHTTPServer):
    """Keeps what is posted, and answers with `code`."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.code = 200
        self.posted: list[tuple[str, dict[str, str], bytes]] = []


class Handler(http.server.BaseHTTPRequestHandler):
    server: Server

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.posted.append((self.path, dict(self.headers), body))
        self.send_response(self.server.code)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def server() -> Iterator[Server]:
    if shutil.which("curl") is None:
        pytest.skip("needs the program curl")
    with Server() as found:
        thread = threading.Thread(target=found.serve_forever, daemon=True)
        thread.start()
        yield found
        found.shutdown()
        thread.join()


def push(given: bytes, *words: str, **env: str) -> subprocess.CompletedProcess[bytes]:
    command = ["sh", str(PUSH), *words]
    return subprocess.run(command, input=given, capture_output=True, env=environment(**env), check=False)  # noqa: S603


def test_an_alarm_is_posted_as_it_is(server: Server, tmp_path: Path) -> None:
    given = as_input([{**entry().shown(), "because": "@/etc/passwd $(id) `id` " + "x" * 60_000}])
    (tmp_path / "headers").write_text("Authorization: Bearer secret\n")
    address = f"http://127.0.0.1:{server.server_port}/shop"
    done = push(given, address, GATE, "--output", PUSH_HEADERS=str(tmp_path / "headers"), no_proxy="127.0.0.1")
    assert done.returncode == 0, done.stderr
    [(path, headers, body)] = server.posted
    assert (path, body) == ("/shop", given)
    assert headers["Authorization"] == "Bearer secret"
    assert headers["Content-Type"] == "application/json"


def test_an_answer_that_is_no_success_is_the_programs_failure(server: Server, tmp_path: Path) -> None:
    server.code = 503
    address = f"http://127.0.0.1:{server.server_port}/shop"
    done = push(b"[]", address, PUSH_HEADERS=str(tmp_path / "none"), no_proxy="127.0.0.1")
    assert done.returncode != 0
    assert b"503" in done.stderr
    assert push(b"[]").returncode == 2
    assert push(b"[]", "-K/etc/passwd").returncode == 2


@pytest.mark.parametrize("path", [PUSH, MAIL], ids=lambda path: path.name)
def test_the_programs_can_be_run_and_have_no_mistake_of_writing(path: Path) -> None:
    assert path.stat().st_mode & 0o111
    if path.suffix == ".sh":
        subprocess.run(["sh", "-n", str(path)], check=True)  # noqa: S603, S607
    else:
        compile(path.read_text(), str(path), "exec")


def test_the_page_shows_what_a_program_gets() -> None:
    text = (DEPLOY / "notify.md").read_text()
    shown = re.search(r"```json\n(.*?)```", text, re.DOTALL)
    assert shown is not None
    [one] = json.loads(shown[1])
    found = entry_of(one["id"], payload(because=one["because"], next=one["next"], since=one["since"]))
    assert found is not None
    assert found.shown() == one
