"""`gatehand demo --page` as a user runs it: the page's address and a code on the screen, and a button that works."""

import json
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from support.child import environment, wait_until

from gatehand.journal.reader import EventReader

pytest.importorskip("amqtt", reason="the extra `demo` is not installed")
pytest.importorskip("starlette", reason="the extra `page` is not installed")

ADDRESS = re.compile(r"The shop on a phone: (http://127\.0\.0\.1:\d+/)")
CODE = re.compile(r"^ +([0-9A-Z]{4}-[0-9A-Z]{4})$", re.MULTILINE)


def post(address: str, path: str, body: dict[str, object], cookie: str = "") -> tuple[Any, str]:
    """The answer, and the cookie that came with it."""
    headers = {"Content-Type": "application/json", "Origin": address.rstrip("/"), "Cookie": cookie}
    request = urllib.request.Request(address + path, json.dumps(body).encode(), headers)  # noqa: S310 - our own
    with urllib.request.urlopen(request, timeout=60) as answer:  # noqa: S310
        return json.load(answer), str(answer.headers["Set-Cookie"] or "").partition(";")[0]


@pytest.mark.slow
def test_a_phone_is_paired_with_the_code_shown_and_starts_the_sweep(tmp_path: Path) -> None:
    said = tmp_path / "said"
    command = [sys.executable, "-u", "-m", "gatehand", "demo", "--keep", "--page", "--log", str(tmp_path / "demo")]
    env = {key: value for key, value in environment().items() if key not in {"DISPLAY", "WAYLAND_DISPLAY"}}
    with said.open("wb") as out:
        demo = subprocess.Popen(command, stdout=out, stderr=out, env=env)  # noqa: S603 - our own command
    try:
        wait_until(lambda: "Ctrl-C ends the demo" in said.read_text() or demo.poll() is not None)
        address, code = ADDRESS.search(said.read_text()), CODE.search(said.read_text())
        assert address is not None, said.read_text()
        assert code is not None, said.read_text()
        answer, cookie = post(address[1], "pair", {"code": code[1]})
        assert answer["ok"], answer
        answer, _ = post(address[1], "ask", {"what": "hand", "name": "sweep", "value": "1"}, cookie)
        assert answer["ok"], answer
        wait_until(lambda: any(line["event"] == "collector_on" for line in EventReader(tmp_path / "demo").lines()))
        demo.send_signal(signal.SIGINT)
        assert demo.wait(60) == 0
        with pytest.raises(OSError, match="refused"):
            urllib.request.urlopen(address[1], timeout=60)  # noqa: S310 - the page has gone with the demo
    finally:
        demo.kill()
        demo.wait()


def test_without_the_server_library_the_demo_says_what_to_install(tmp_path: Path) -> None:
    program = (
        "import importlib.util, sys\n"
        "found = importlib.util.find_spec\n"
        "importlib.util.find_spec = lambda name, *more: None if name == 'starlette' else found(name, *more)\n"
        "from gatehand.cli import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    done = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-c", program, "demo", "--page", "--log", str(tmp_path)],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert "gatehand demo --page: the package starlette is missing" in done.stderr
    assert "pip install 'gatehand[page]'" in done.stderr
