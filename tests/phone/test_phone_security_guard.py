"""What the page's door makes of hosts, origins and of who comes too often. No server, no clock."""

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as some

from gatehand.phone import guard
from gatehand.phone.guard import LIMITS, METHODS, Asked, Kind, Limits, authority, objection

NAMES = ("shop.local",)
OWN = {"scheme": "http", "hosts": ["shop.local:8080"]}


def asked(method: str = "GET", path: str = "/me", **more: object) -> Asked:
    return Asked(method, path, **{**OWN, **more})  # type: ignore[arg-type]  # as a test says


def posted(path: str = "/ask", method: str = "POST", **more: object) -> Asked:
    own = {"origins": ["http://shop.local:8080"], "content_type": "application/json", "length": "2"}
    return asked(method, path, **{**own, **more})


def status(what: Asked) -> int:
    found = objection(what, NAMES)
    return 200 if found is None else found.status


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1:8080",
        "192.168.1.5",
        "10.0.0.7.:8443",
        "[::1]:8080",
        "[FE80::1]",
        "localhost:8080",
        "LOCALHOST.",
        "shop.local",
        "Shop.Local.:8080",
        "shop.local:",
    ],
)
def test_the_page_goes_by_its_addresses_localhost_and_the_names_of_its_config(host: str) -> None:
    assert status(asked(hosts=[host])) == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "shop.local.evil.example",
        "evil-shop.local",
        "127.0.0.1.evil.example",
        "sub.localhost",
        "0x7f000001",
        "2130706433",
        "127.1",
        "1.2.3.4.5",
        "256.1.1.1",
        "shop",
        "shop.local..",
    ],
)
def test_a_name_of_a_strangers_that_leads_here_is_misdirected_and_told_what_to_add(host: str) -> None:
    found = objection(asked(hosts=[host]), NAMES)
    assert found is not None
    assert found.status == 421
    assert "[page] hosts" in found.text


@pytest.mark.parametrize(
    "hosts",
    [
        [],
        ["shop.local", "shop.local"],
        ["shop.local", "evil.example"],
        [""],
        ["shop.local:http"],
        ["shop.local:0"],
        ["shop.local:99999"],
        ["shop.local, evil.example"],
        ["user@shop.local"],
        ["http://shop.local"],
        ["[::1"],
        ["::1"],
        ["[::1%eth0]"],
        ["[v1.x]"],
        ["[127.0.0.1]"],
        ["sh\N{LATIN SMALL LETTER O WITH STROKE}p.local"],
        ["<script>"],
        ["a" * 1000],
        ["shop.local\n"],
        ["."],
    ],
)
def test_what_is_no_host_is_refused_and_not_repeated(hosts: list[str]) -> None:
    found = objection(asked(hosts=hosts), NAMES)
    assert found is not None
    assert found.status == 400
    assert not any(each in found.text for each in hosts if len(each) > 1)


@given(some.ip_addresses(), some.one_of(some.none(), some.integers(1, 65_535)))
def test_every_address_is_known_whatever_its_spelling(
    address: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int | None
) -> None:
    text = f"[{address.exploded.upper()}]" if address.version == 6 else str(address)
    if address.version == 6 and address.scope_id:
        return
    found = authority(text if port is None else f"{text}:{port}")
    assert found == guard.Authority(str(address), port, is_address=True)


@given(some.text(max_size=60))
def test_no_text_as_a_host_breaks_the_door_and_none_gets_in_but_the_known_names(text: str) -> None:
    found = objection(asked(hosts=[text]), ())
    if found is None:
        known = authority(text)
        assert known is not None
        assert known.is_address or known.host == "localhost"


@pytest.mark.parametrize(
    ("scheme", "host", "origin"),
    [
        ("http", "shop.local", "http://shop.local"),
        ("http", "shop.local:80", "http://shop.local"),
        ("http", "shop.local", "http://SHOP.local:80"),
        ("https", "shop.local", "https://shop.local:443"),
        ("https", "shop.local:443", "https://shop.local"),
        ("https", "[::1]:8443", "https://[0:0::1]:8443"),
        ("http", "192.168.1.5:8080", "http://192.168.1.5:8080"),
    ],
)
def test_the_pages_own_origin_may_post(scheme: str, host: str, origin: str) -> None:
    assert status(posted(scheme=scheme, hosts=[host], origins=[origin])) == 200
    assert status(posted(scheme=scheme, hosts=[host], origins=[origin], site="same-origin")) == 200


@pytest.mark.parametrize(
    "origins",
    [
        [],
        ["null"],
        [""],
        ["http://evil.example"],
        ["http://shop.local"],
        ["http://shop.local:8081"],
        ["https://shop.local:8080"],
        ["http://shop.local:8080.evil.example"],
        ["http://shop.local:8080/"],
        ["http://evil.example@shop.local:8080"],
        ["shop.local:8080"],
        ["file://"],
        ["http://shop.local:8080", "http://shop.local:8080"],
        ["http://shop.local:8080 http://evil.example"],
        ["http://127.0.0.1:8080"],
    ],
)
def test_every_other_origin_may_not_post_nor_read(origins: list[str]) -> None:
    assert status(posted(origins=origins)) == 403
    if origins:
        for path, method in METHODS.items():
            if method == "GET":
                assert status(asked(path=path, origins=origins)) == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site", "none", "nonsense", "same-origin cross-site"])
def test_a_browser_that_names_another_site_may_not_post(site: str) -> None:
    assert status(posted(site=site)) == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site", "nonsense"])
def test_from_another_site_a_link_leads_to_the_page_and_nothing_else_does(site: str) -> None:
    for path, method in METHODS.items():
        if method == "GET":
            assert status(asked(path=path, site=site, mode="navigate")) == (200 if path == "/" else 403)
            for mode in ("no-cors", "cors", "websocket", ""):
                assert status(asked(path=path, site=site, mode=mode)) == 403
            for own in ("same-origin", "none", ""):
                assert status(asked(path=path, site=own)) == 200


@pytest.mark.parametrize("method", ["GET", "POST", "HEAD", "OPTIONS", "PUT", "DELETE", "TRACE", "CONNECT", "get", ""])
def test_each_path_has_one_method_and_no_other_path_is_there(method: str) -> None:
    for path, right in METHODS.items():
        found = objection(posted(path, method) if method != "GET" else asked(path=path), NAMES)
        if method == right:
            assert found is None
        else:
            assert found is not None
            assert (found.status, found.headers) == (405, {"Allow": right})
    for path in ("", "//", "/events/", "/ASK", "/ask/", "/../ask", "/page.html", "/favicon.ico", "http://a.b/ask"):
        assert status(asked(method, path)) == 404


@pytest.mark.parametrize(
    ("kind", "length", "expected"),
    [
        ("application/json", "4096", 200),
        ("Application/JSON; charset=utf-8", "4096", 200),
        ("application/json", "", 200),  # chunked: counted as it comes
        ("application/json", "4097", 413),
        ("application/json", "99999999999999999999999999", 413),
        ("application/json", "-1", 413),
        ("application/json", "2 2", 413),
        ("text/plain", "2", 415),
        ("application/x-www-form-urlencoded", "2", 415),
        ("multipart/form-data; boundary=application/json", "2", 415),
        ("text/plain application/json", "2", 415),
        ("application/jsonp", "2", 415),
        ("", "2", 415),
    ],
)
def test_a_body_is_json_and_small(kind: str, length: str, expected: int) -> None:
    assert status(posted(content_type=kind, length=length)) == expected


@pytest.mark.parametrize(
    ("scheme", "client", "private"),
    [
        ("https", "192.168.1.9", True),
        ("http", "127.0.0.1", True),
        ("http", "::1", True),
        ("http", "::ffff:127.0.0.1", True),
        ("http", "192.168.1.9", False),
        ("http", "::ffff:192.168.1.9", False),
        ("http", "", False),
        ("http", "localhost", False),
        ("http", "unknown", False),
    ],
)
def test_what_others_could_read_along_is_not_private(scheme: str, client: str, private: bool) -> None:
    assert guard.is_private(scheme, client) is private


def test_one_computer_is_one_client() -> None:
    assert guard.one_client("fd00:1:2:3::1") == guard.one_client("fd00:1:2:3:ffff::9")
    assert guard.one_client("fd00:1:2:3::1") != guard.one_client("fd00:1:2:4::1")
    assert guard.one_client("::ffff:192.168.1.9") == guard.one_client("192.168.1.9")
    assert guard.one_client("fe80::1%eth0") == guard.one_client("fe80::2")
    assert guard.one_client("192.168.1.9") != guard.one_client("192.168.1.10")
    assert guard.one_client("x" * 10_000) == guard.one_client("y")


# How often

STEPS = some.lists(
    some.tuples(some.sampled_from(Kind), some.sampled_from("abc"), some.floats(0, 40, allow_nan=False)), max_size=120
)


@given(STEPS)
def test_no_window_ever_has_more_than_its_limit_and_a_wait_that_was_told_is_enough(
    steps: list[tuple[Kind, str, float]],
) -> None:
    limits, now = Limits(), 0.0
    passed: dict[tuple[Kind, str], list[float]] = {}
    for kind, client, after in steps:
        now += after / 10
        found = limits.count(kind, client, now)
        mine = passed.setdefault((kind, client), [])
        if found is None:
            mine.append(now)
            limit = LIMITS[kind]
            assert sum(at > now - limit.seconds for at in mine) <= limit.most
        else:
            assert found.status == 429
            wait = int(found.headers["Retry-After"])
            assert 1 <= wait <= LIMITS[kind].seconds + 1
            assert f"{wait} second" in found.text
            now += wait
            assert limits.count(kind, client, now) is None
            mine.append(now)


@pytest.mark.parametrize(("kind", "a_minute"), [(Kind.ASK, 20), (Kind.HOLD, 30), (Kind.PAIR, 10), (Kind.LOG, 30)])
def test_in_a_minute_so_many_are_let_through(kind: Kind, a_minute: int) -> None:
    limits = Limits()
    assert sum(limits.count(kind, "a", second / 10) is None for second in range(600)) == a_minute
    assert limits.count(kind, "b", 59.9) is None, "another client's are counted apart"


def test_a_hold_is_still_taken_where_everything_else_is_at_its_limit() -> None:
    limits = Limits()
    for kind in (Kind.ASK, Kind.LOG, Kind.PAIR):
        while limits.count(kind, "a", 0.0) is None:
            pass
    assert all(limits.count(Kind.HOLD, "a", 0.0) is None for _ in range(10))


@given(some.lists(some.integers(0, 10_000), min_size=1, max_size=300))
def test_whoever_comes_memory_stays_bounded(clients: list[int]) -> None:
    limits = Limits(most_clients=16)
    for now, client in enumerate(clients):
        limits.count(Kind.LOG, str(client), float(now))
        assert len(limits) <= 16
    assert limits.count(Kind.LOG, str(clients[-1]), float(len(clients))) is None
