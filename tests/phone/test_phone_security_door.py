"""The page's application as a browser meets it: headers on every answer, what is refused, and in which words."""

import asyncio
import json
import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from door_support import HOST, Browser, Door
from starlette.types import Message

from gatehand.phone import app as page_app
from gatehand.phone.guard import METHODS

HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass
class Said:
    """An answer of the log."""

    content: bytes = b'{"ok":true}'
    status: int = 200
    is_html: bool = False


class Log:
    """A log that answers, or fails."""

    def __init__(self, said: Said | Exception | None = None, *, is_here: bool = True) -> None:
        self.said = said or Said()
        self.is_here = is_here
        self.asked: list[tuple[str | None, ...]] = []

    async def _answer(self, *asked: str | None) -> Said:
        self.asked.append(asked)
        if isinstance(self.said, Exception):
            raise self.said
        return self.said

    async def why(self, kind: str, name: str) -> Said:
        return await self._answer("why", kind, name)

    async def day(self, day: str | None) -> Said:
        return await self._answer("day", day)

    async def upkeep(self) -> Said:
        return await self._answer("upkeep")

    async def report(self) -> Said:
        await self._answer("report")
        return Said(b"<!doctype html><title>Report</title>", is_html=True)


@pytest.fixture
def door(tmp_path: Path) -> Door:
    return Door(tmp_path, log=Log())


@pytest.mark.parametrize(
    ("scheme", "host", "is_sent"),
    [
        *(
            ("http", host, True)
            for host in ("127.0.0.1:8080", "127.8.0.1", "[::1]:8080", "localhost:8080", "LOCALHOST.")
        ),
        *(("http", host, False) for host in ("shop.local:8080", "192.168.1.5:8080", "[fe80::1]", "evil.example", "{")),
        *(("https", host, True) for host in ("shop.local", "192.168.1.5:8443", "127.0.0.1")),
    ],
)
async def test_what_a_browser_only_heeds_of_a_trustworthy_origin_is_sent_there_alone(
    door: Door, scheme: str, host: str, is_sent: bool
) -> None:
    """To any other it is an error in the console, of each page (HTML Living Standard, section 7.1.3)."""
    for path in ("/", "/me", "/nothing"):
        answer = await door.browser(scheme=scheme, host=host).get(path)
        assert answer.header("cross-origin-opener-policy") == ("same-origin" if is_sent else ""), path
        assert answer.header("x-frame-options") == "DENY"


async def test_every_answer_has_the_headers_that_keep_strangers_out_and_none_lets_another_page_read(
    door: Door,
) -> None:
    browser = await door.paired()
    answers = []
    for path, method in METHODS.items():
        for how in ("GET", "POST", "PUT", "OPTIONS", "HEAD"):
            if how == "POST":
                answers.append((path, how, await browser.post(path, {})))
            else:
                answers.append((path, how, await browser.send(how, path, headers={"origin": f"http://{HOST}"})))
            assert (answers[-1][2].status == 405) == (how != method), (path, how)
    answers += [
        ("/nothing", "GET", await browser.get("/nothing")),
        ("/", "GET", await browser.get("/", {"host": "evil.example"})),
        ("/me", "GET", await browser.get("/me", {"origin": "http://evil.example"})),
        ("/", "GET", await browser.get("/", {"host": None})),
        ("/ask", "POST", await browser.post("/ask", b"x" * 5000)),
        ("/ask", "POST", await browser.post("/ask", b"{")),
        ("/pair", "POST", await browser.post("/pair", {"code": "ABCD-EFGH"})),
    ]
    for path, how, answer in answers:
        for name, value in HEADERS.items():
            assert answer.header(name) == value, (path, how, name)
        policy = answer.header("content-security-policy")
        assert policy.startswith("default-src 'none'"), (path, how)
        assert "frame-ancestors 'none'" in policy
        script = policy.replace("style-src 'unsafe-inline'", "")
        assert "unsafe" not in script, (path, how, policy)
        assert (path, how) == ("/report", "GET") or "'sha256-" in policy
        assert not [name for name, _ in answer.headers if name.startswith("access-control")]
        assert "strict-transport-security" not in dict(answer.headers)
        if answer.status >= 400:
            assert answer.header("content-type") == "application/json"
            assert answer.json["ok"] is False
            assert re.fullmatch(r"[A-Z].*[.:/)a-z]", answer.text), answer.text
            assert ("next" in answer.json) == (path == "/ask"), (path, how)


async def test_the_page_itself_runs_its_own_script_alone(door: Door) -> None:
    answer = await door.browser().get("/", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"})
    assert answer.status == 200
    assert answer.header("content-type") == "text/html; charset=utf-8"
    policy = answer.header("content-security-policy")
    assert "script-src 'sha256-" in policy
    assert "require-trusted-types-for 'script'" in policy
    assert "connect-src 'self'" in policy


async def test_the_report_has_no_script(door: Door) -> None:
    answer = await door.browser().get("/report")
    policy = answer.header("content-security-policy")
    assert (answer.status, "script-src" in policy, "default-src 'none'" in policy) == (200, False, True)
    assert len([name for name, _ in answer.headers if name == "content-security-policy"]) == 1


async def test_hosts_of_the_config_in_force_count(door: Door) -> None:
    browser = door.browser(host="kiosk.local:8080")
    refused = await browser.get("/me")
    assert refused.status == 421
    assert '[page] hosts = ["kiosk.local"]' in refused.text
    door.page = door.page.model_copy(update={"hosts": ("kiosk.local",)})
    assert (await browser.get("/me")).status == 200
    assert (await door.browser(host="shop.local:8080").get("/me")).status == 421


@pytest.mark.parametrize("path", ["/ask", "/pair", "/unpair"])
async def test_a_web_page_of_somebody_elses_can_do_nothing_from_the_owners_browser(door: Door, path: str) -> None:
    browser = await door.paired()
    code = door.pairing.new_code()
    body = json.dumps({"what": "hold", "name": "main", "because": "x", "code": code}).encode()
    for headers in (
        {"origin": "http://evil.example", "content-type": "text/plain"},
        {"origin": "null", "content-type": "application/json"},
        {"origin": "http://127.0.0.1:9999", "content-type": "application/json"},
        {"content-type": "application/json"},
        {"origin": f"http://{HOST}", "content-type": "application/json", "sec-fetch-site": "cross-site"},
        {"origin": f"http://{HOST}", "content-type": "text/plain"},
        {"origin": f"http://{HOST}", "content-type": "application/x-www-form-urlencoded"},
    ):
        answer = await browser.send("POST", path, body, headers=headers)
        assert answer.status in {403, 415}
        assert not answer.header("set-cookie")
    assert door.pairing.count == 1


async def test_a_second_header_of_a_kind_is_no_way_round(door: Door) -> None:
    browser = await door.paired()
    for name, value in (
        ("host", "evil.example"),
        ("origin", "http://evil.example"),
        ("content-type", "text/plain"),
        ("sec-fetch-site", "cross-site"),
    ):
        headers = {"origin": f"http://{HOST}", "content-type": "application/json", "sec-fetch-site": "same-origin"}
        answer = await browser.send("POST", "/unpair", b"{}", headers=headers, raw_headers=[(name, value)])
        assert answer.status in {400, 403, 415}, name
    assert (await browser.get("/me")).json["paired"] is True


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b'"hand"',
        b"null",
        b"1",
        b"\xff\xfe",
        b'{"what":"hold","what":"hand"}',
        b'{"what":"hold","name":"main","because":"x","id":"mine"}',
        b'{"topic":"gatehand/collector/main/off"}',
        b'{"what":' + b"[" * 4000,
        b'{"what":"hold","name":"main","because":' + b"9" * 4000 + b"}",
    ],
)
async def test_what_is_no_request_of_the_page_is_refused_in_a_sentence(door: Door, body: bytes) -> None:
    answer = await (await door.paired()).post("/ask", body)
    assert (answer.status, answer.json["ok"], answer.json["next"]) == (400, False, "")


async def test_a_body_of_unknown_length_is_read_no_further_than_its_limit(door: Door) -> None:
    browser = await door.paired()
    answer = await browser.send(
        "POST",
        "/ask",
        b" " * 100_000,
        headers={"origin": f"http://{HOST}", "content-type": "application/json", "content-length": None},
    )
    assert answer.status == 413


async def test_a_body_that_does_not_come_is_waited_for_in_bounds(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_app, "BODY_WITHIN", 0.01)
    sent: list[Message] = []

    async def never() -> Message:
        return await asyncio.Future()

    async def send(message: Message) -> None:
        sent.append(message)

    headers = {"host": HOST, "origin": f"http://{HOST}", "content-type": "application/json"}
    scope = {
        "type": "http",
        "method": "POST",
        "scheme": "http",
        "path": "/pair",
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 1),
    }
    await door.app(scope, never, send)
    assert sent[0]["status"] == 408


async def test_what_the_log_is_asked_and_says_goes_through_as_it_is(tmp_path: Path) -> None:
    log = Log(Said(b'{"ok":false,"text":"The log is being read already."}', 503))
    browser = Door(tmp_path, log=log).browser()
    answer = await browser.get("/why?kind=tool&name=band_saw%2F..&more=x")
    assert (answer.status, answer.text) == (503, "The log is being read already.")
    assert answer.header("content-type") == "application/json"
    for path in ("/why", "/day", "/day?date=2026-11-30", "/upkeep"):
        await browser.get(path)
    assert log.asked == [
        ("why", "tool", "band_saw/.."),
        ("why", "", ""),
        ("day", None),
        ("day", "2026-11-30"),
        ("upkeep",),
    ]


async def test_a_mistake_of_ours_is_told_with_all_headers_and_goes_to_the_journal(tmp_path: Path) -> None:
    door = Door(tmp_path, log=Log(RuntimeError("a secret")))
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "method": "GET",
        "scheme": "http",
        "path": "/upkeep",
        "query_string": b"",
        "headers": [(b"host", HOST.encode())],
        "client": ("127.0.0.1", 1),
    }
    with pytest.raises(RuntimeError, match="a secret"):
        await door.app(scope, receive, send)
    assert sent[0]["status"] == 500
    assert b"content-security-policy" in dict(sent[0]["headers"])
    assert b"secret" not in sent[1]["body"]


async def test_a_log_that_is_not_there_is_not_offered(tmp_path: Path) -> None:
    none = Door(tmp_path).browser()
    answer = await none.get("/day")
    assert (answer.status, "no event log" in answer.text) == (404, True)
    assert (await none.get("/me")).json["log"] is False
    assert (await Door(tmp_path, log=Log(is_here=False)).browser().get("/me")).json["log"] is False
    assert (await Door(tmp_path, log=Log()).browser().get("/me")).json["log"] is True


async def test_a_parameter_said_twice_or_without_end_is_refused(door: Door) -> None:
    assert (await door.browser().get("/day?date=2026-11-30&date=2026-11-29")).status == 400
    assert (await door.browser().get("/why?kind=tool&name=" + "a" * 1000)).status == 400


async def test_the_log_is_asked_thirty_times_a_minute_by_each_client_whatever_cookies_it_makes_up(door: Door) -> None:
    stranger = door.browser(address="192.168.1.9", host="192.168.1.5:8080")
    for number in range(30):
        stranger.cookies = {"gatehand": f"{number:043d}"}
        assert (await stranger.get("/upkeep")).status == 200
    refused = await stranger.get("/upkeep")
    assert (refused.status, refused.header("retry-after")) == (429, "60")
    assert "Wait 60 seconds" in refused.text
    other = door.browser(address="192.168.1.10", host="192.168.1.5:8080")
    assert (await other.get("/upkeep")).status == 200
    door.mono.now += 60
    assert (await stranger.get("/upkeep")).status == 200


async def test_a_stream_begins_whoever_asks_and_ends_with_the_server(door: Door) -> None:
    for browser in (door.browser(), await door.paired()):
        answer = await browser.get("/events")  # ends at once: the server is about to stop
        assert (answer.status, answer.header("content-type")) == (200, "text/event-stream; charset=utf-8")


async def test_nothing_but_http_is_served(door: Door) -> None:
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def receive() -> Message:
        return {"type": "websocket.connect"}

    await door.app({"type": "websocket", "path": "/events", "headers": []}, receive, send)
    assert not [message for message in sent if message["type"] == "websocket.accept"]


async def test_without_privacy_nothing_can_be_asked_for_and_nothing_is_paired(door: Door) -> None:
    code = door.pairing.new_code()
    lan = {"address": "192.168.1.9", "host": "192.168.1.5:8080"}
    open_air = door.browser(**lan)
    refused = await open_air.post("/pair", {"code": code})
    assert (refused.status, "not encrypted" in refused.text) == (403, True)
    encrypted = door.browser(scheme="https", **lan)
    assert (await encrypted.post("/pair", {"code": code})).status == 200
    assert (await encrypted.get("/me")).json == {"paired": True, "allow": ["hand", "hold", "reset"], "log": True}
    stolen = Browser(door.app, **lan)
    stolen.cookies = {"gatehand": encrypted.cookies["__Host-gatehand"]}
    assert (await stolen.get("/me")).json["allow"] == []
    asked = await stolen.post("/ask", {"what": "hold", "name": "main", "because": "x"})
    assert (asked.status, "not encrypted" in asked.text) == (403, True)
