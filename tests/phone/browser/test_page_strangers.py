"""What a stranger's web page in the owner's own browser can do to the shop: nothing, and it learns nothing either."""

import socket
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from page_shop import SHOP, Devices, RunningPage
from phone_screen import Phone
from strangers import Stranger
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker
HAND: dict[str, object] = {"what": "hand", "name": "sweep", "value": "1"}
ASK = """async body => {
    const answer = await fetch("ask", {method: "POST", body: JSON.stringify(body),
        headers: {"Content-Type": "application/json"}});
    return [answer.status, await answer.json()];
}"""
PAIR = """async code => (await fetch("pair", {method: "POST", body: JSON.stringify({code}),
    headers: {"Content-Type": "application/json"}})).status"""


@pytest.fixture(scope="module")
def page_text() -> str:
    return f'{SHOP}\n[page]\nallow = ["hand"]\n'


@pytest.fixture(scope="module")
def devices(broker: Mosquitto) -> Iterator[Devices]:
    """Sees what is asked of the daemon."""
    found = Devices(broker.port)
    yield found
    found.close()


@pytest.fixture(scope="module")
def owners(served: RunningPage) -> dict[str, Any]:
    """What a paired phone of the owner keeps, once it is paired."""
    return {"code": served.code()}


@pytest.fixture
def owner(served: RunningPage, phone: Callable[..., Phone], owners: dict[str, Any]) -> Phone:
    """The owner's browser, paired."""
    if "state" not in owners:
        first = phone(served.url)
        assert first.page.evaluate(PAIR, owners.pop("code")) == 200
        owners["state"] = first.context.storage_state()
    return phone(served.url, state=owners["state"])


def test_paired_page_itself_asks(owner: Phone, devices: Devices) -> None:
    """So that what is shown below is refused for being a stranger's."""
    before = len(devices.asks("gate/sweep/hand"))
    owner.page.evaluate(f"body => {{ ({ASK})(body).catch(() => 0); }}", HAND)  # no daemon is here that would answer
    devices.wait(lambda: len(devices.asks("gate/sweep/hand")) > before, "it is asked")
    assert [each["value"] for each in devices.asks("gate/sweep/hand")[before:]] == ["1"]


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "stranger.example"])
def test_stranger_asks_nothing_and_reads_nothing(
    owner: Phone, served: RunningPage, devices: Devices, host: str
) -> None:
    owner.expects(".")  # the browser says of each attempt why it came to nothing
    before = len(devices.asks("gate/sweep/hand"))
    with Stranger(served.url, HAND) as stranger:
        tab = owner.context.new_page()
        tab.goto(f"http://{host}:{stranger.port}/")
        said = tab.evaluate("() => window.all")
        with tab.expect_navigation() as posted:
            tab.evaluate("() => document.forms[0].submit()")
        assert posted.value is not None
        assert posted.value.status == 403
        tab.close()
        owner.may_ask(f"{host}:{stranger.port}")
    assert said["fetch"] == said["read"] == said["stream"] == "failed"
    assert said["blind fetch"] in {"failed", "got opaque 0"}
    assert "sweep" not in said["frame"].lower()
    assert owner.page.evaluate("async () => (await (await fetch('me')).json()).paired") is True
    assert devices.asks("gate/sweep/hand")[before:] == []


def test_name_that_was_made_to_lead_here_is_refused(owner: Phone, served: RunningPage) -> None:
    """DNS rebinding: the browser takes the page for the stranger's own, and its script may read all that it gets."""
    owner.expects("421")
    tab = owner.context.new_page()
    answer = tab.goto(f"http://stranger.example:{served.port}/")
    owner.may_ask(f"stranger.example:{served.port}")
    assert answer is not None
    assert answer.status == 421
    for path in ("events", "me"):
        assert tab.evaluate("async path => (await fetch(path)).status", f"/{path}") == 421
    assert "sweep" not in tab.inner_text("body")


@pytest.mark.parametrize("host", ["stranger.example", "stranger.example:80", "127.0.0.1.stranger.example", "", "[::1"])
def test_request_for_another_host_is_refused_by_the_wire(served: RunningPage, host: str) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=60) as sock:
        sock.sendall(f"GET /events HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        answer = sock.makefile("rb").read().decode()
    assert answer.split()[1] in {"400", "421"}
    assert "sweep" not in answer


def test_cookie_is_out_of_reach_of_scripts_and_of_other_sites(owner: Phone) -> None:
    (cookie,) = owner.context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"], cookie["path"]) == (True, "Strict", "/")
    assert cookie["domain"] == "127.0.0.1"  # of this host alone
    assert owner.page.evaluate("() => document.cookie") == ""
    assert owner.page.evaluate("() => [Object.keys(localStorage), Object.keys(sessionStorage)].flat()") == []


def test_unpaired_phone_asks_nothing(served: RunningPage, phone: Callable[..., Phone], devices: Devices) -> None:
    before = len(devices.asks("gate/sweep/hand"))
    seen = phone(served.url)
    seen.expects("401|403")
    status, answer = seen.page.evaluate(ASK, HAND)
    assert (status, answer["ok"]) == (401, False)
    assert answer["text"]
    for what in ("hold", "reset"):
        status, _ = seen.page.evaluate(ASK, {"what": what, "name": "main", "because": "x", "seen": True})
        assert status == 401
    assert devices.asks("gate/sweep/hand")[before:] == []


def test_what_the_config_does_not_allow_is_refused_however_it_is_asked(owner: Phone, devices: Devices) -> None:
    owner.expects("403")
    for body in ({"what": "hold", "because": "filter change"}, {"what": "reset", "seen": True}):
        status, answer = owner.page.evaluate(ASK, {**body, "name": "main"})
        assert (status, answer["ok"]) == (403, False)
    assert devices.asks("collector/main/hold") == devices.asks("collector/main/reset") == []
