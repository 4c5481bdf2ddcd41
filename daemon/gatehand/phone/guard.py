"""Who may ask the page for what, before anything is looked up or done. Pure: time and headers are passed in.

A page in a shop's network has three kinds of strangers: a name of somebody else's that leads here (DNS rebinding), a
web page of somebody else's that sends requests from the owner's browser (cross-site request forgery), and whoever asks
too often. For the first two it counts what the browser says and no script can: Host, Origin, Sec-Fetch-Site.
"""

import ipaddress
import re
from collections import OrderedDict, deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import ceil
from types import MappingProxyType
from typing import Final

from gatehand.text import named

METHODS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "/": "GET",
        "/events": "GET",
        "/me": "GET",
        "/why": "GET",
        "/day": "GET",
        "/upkeep": "GET",
        "/report": "GET",
        "/pair": "POST",
        "/unpair": "POST",
        "/ask": "POST",
    }
)
"""Every path there is, and the one method of each."""
TOO_MANY: Final = 429
"""Too Many Requests (RFC 6585, section 4)."""
LARGEST_BODY: Final = 4096
"""Bytes of a request."""
_JSON: Final = "application/json"
_LONGEST_HOST: Final = 300
"""Characters of a Host or an Origin; a name has 253 at most (RFC 1035)."""
_HIGHEST_PORT: Final = 65_535
_PORTS: Final = {"http": 80, "https": 443}
_AUTHORITY: Final = re.compile(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::(?P<port>[0-9]{0,5}))?", re.ASCII)
_OWN_SITE: Final = frozenset({"same-origin", "none"})
"""What Sec-Fetch-Site says of our own page, and of an address that a person typed (Fetch Metadata, section 2.3)."""


@dataclass(frozen=True, slots=True)
class Objection:
    """Why a request is not answered: the status (RFC 9110), a sentence for a person, headers that belong to it."""

    status: int
    text: str
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the door looks at. Headers as often as they came, as the wire has them."""

    method: str
    path: str
    scheme: str
    """http or https, as the browser called."""
    hosts: Sequence[str]
    origins: Sequence[str] = ()
    site: str = ""
    """Sec-Fetch-Site."""
    mode: str = ""
    """Sec-Fetch-Mode."""
    content_type: str = ""
    length: str = ""
    """Content-Length."""


@dataclass(frozen=True, slots=True)
class Authority:
    """Host and port of a Host header (RFC 9110, section 7.2), in one spelling of each."""

    host: str
    """A name in small letters without a dot behind it; an address as `ipaddress` writes it."""
    port: int | None
    is_address: bool


def authority(text: str) -> Authority | None:
    """Take a Host header apart; None: it is not valid."""
    found = _AUTHORITY.fullmatch(text) if len(text) <= _LONGEST_HOST else None
    if found is None:
        return None
    port = int(found["port"]) if found["port"] else None
    if port is not None and not 0 < port <= _HIGHEST_PORT:
        return None
    host, literal = found["host"].lower().removesuffix("."), found["host"].startswith("[")
    try:
        address = ipaddress.IPv6Address(host[1:-1]) if literal else ipaddress.IPv4Address(host)
    except ValueError:
        return None if literal or not host else Authority(host, port, is_address=False)
    return Authority(str(address), port, is_address=True)


def answers_to(host: Authority, names: Collection[str]) -> bool:
    """Whether the page goes by that name: an address cannot be made to lead elsewhere, a name of a stranger's can."""
    return host.is_address or host.host == "localhost" or host.host in {name.lower().rstrip(".") for name in names}


def is_trustworthy(scheme: str, host: str) -> bool:
    """Whether a browser takes the origin for trustworthy (W3C Secure Contexts, section 3.1). `host`: a Host header."""
    found = authority(host)
    if scheme == "https" or found is None:
        return scheme == "https"
    return ipaddress.ip_address(found.host).is_loopback if found.is_address else found.host == "localhost"


def is_own_origin(origin: str, scheme: str, host: Authority) -> bool:
    """Whether an Origin (RFC 6454, section 6.1) is the page's own: scheme, host and port are those of the request."""
    its_scheme, mark, rest = origin.partition("://")
    found = authority(rest)
    if not mark or its_scheme != scheme or found is None or scheme not in _PORTS:
        return False
    usual = _PORTS[scheme]
    return (found.host, found.port or usual) == (host.host, host.port or usual)


def objection(asked: Asked, names: Collection[str]) -> Objection | None:
    """Why the request is not answered; None: nothing speaks against it so far.

    Args:
        asked: the request.
        names: by which the page may be called (`[page] hosts`).
    """
    host = authority(asked.hosts[0]) if len(asked.hosts) == 1 else None
    if host is None:
        return Objection(400, "The request does not say in one Host header whom it is for. Use a web browser.")
    if not answers_to(host, names):
        return Objection(
            421,
            f"This page does not go by the name {host.host}. If that name is yours, add it to the config, [page] "
            f'hosts = ["{host.host}"], or use the address in numbers.',
        )
    method = METHODS.get(asked.path)
    if method is None:
        return Objection(404, "There is nothing here. The shop is at the page's beginning: /")
    if asked.method != method:
        return Objection(405, f"Only {method} is answered here.", {"Allow": method})
    if not _is_own_doing(asked, host):
        return Objection(
            403,
            "This did not come from the page itself. Open the page by its own address and do it there. (A proxy in "
            "between must hand on Host and set X-Forwarded-Proto.)",
        )
    return _of_body(asked) if method == "POST" else None


def _is_own_doing(asked: Asked, host: Authority) -> bool:
    """The page's own script, or a person who opened the page. Another origin's requests are refused, its links not."""
    if len(asked.origins) > 1 or (asked.origins and not is_own_origin(asked.origins[0], asked.scheme, host)):
        return False
    if asked.method == "POST":
        return bool(asked.origins) and asked.site in {"", "same-origin"}
    return asked.site in {"", *_OWN_SITE} or (asked.path == "/" and asked.mode == "navigate")


def _of_body(asked: Asked) -> Objection | None:
    kind = asked.content_type.partition(";")[0].strip().lower()
    empty = asked.path == "/unpair" and not kind and asked.length in {"", "0"}
    if kind != _JSON and not empty:
        return Objection(415, f"Found another kind of content; wanted JSON, Content-Type: {_JSON}.")
    if asked.length.isdecimal() and len(asked.length) < len("1000000000"):
        return None if int(asked.length) <= LARGEST_BODY else too_large()
    return too_large() if asked.length else None


def too_large() -> Objection:
    """The objection to a body that is too large."""
    return Objection(413, f"Found more than {LARGEST_BODY:,} bytes; the page itself sends far fewer.")


def cookie(headers: Iterable[str], name: str) -> str | None:
    """What a browser's Cookie headers (RFC 6265, section 4.2) hold under a name; said twice, the last counts.

    Nothing is unquoted: none of ours has quotes, and Python's own `http.cookies` takes minutes for a large header that
    a stranger has filled with backslashes.
    """
    found = None
    for pair in (each for header in headers for each in header.split(";")):
        key, mark, value = pair.partition("=")
        if mark and key.strip(" \t") == name:
            found = value.strip(" \t")
    return found


def is_private(scheme: str, client: str, host: str) -> bool:
    """Whether nobody on the way can read along: encrypted, or from this computer to itself.

    Who is called by another name or address was called from elsewhere, though what hands it on (a web server that does
    not say so, a forwarded port) runs here.

    Args:
        scheme: http or https.
        client: an address in numbers.
        host: the Host header.
    """
    called = authority(host)
    is_local = called is not None and (called.host == "localhost" or _is_loopback(called.host))
    return scheme == "https" or (is_local and _is_loopback(client))


def _is_loopback(client: str) -> bool:
    try:
        found = ipaddress.ip_address(client)
    except ValueError:
        return False
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return (mapped or found).is_loopback


def one_client(client: str) -> str:
    """Under which name an address is counted: one computer has 2^64 of IPv6's (RFC 4291, section 2.5.4)."""
    try:
        found = ipaddress.ip_address(client.partition("%")[0])
    except ValueError:
        return "nobody knows"
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    return str(found.ipv4_mapped or ipaddress.IPv6Network((int(found), 64), strict=False))


# How often


class Kind(StrEnum):
    """What is counted apart."""

    ASK = "ask"
    HOLD = "hold"
    PAIR = "pair"
    LOG = "log"


@dataclass(frozen=True, slots=True)
class Limit:
    """So many in any so many seconds, and the sentence for one more."""

    most: int
    seconds: float
    text: str


LIMITS: Final[Mapping[Kind, Limit]] = MappingProxyType(
    {
        # 20 a minute, in bursts of 5. Common practice, no published source, as all of these.
        Kind.ASK: Limit(5, 15.0, "That was asked too often in a short time. Wait {wait}, then ask once."),
        # 30 a minute: it asks for caution, so it is limited last.
        Kind.HOLD: Limit(
            10,
            20.0,
            "A hold was asked for too often. Switch the collector off at its own switch, or wait {wait}.",
        ),
        Kind.PAIR: Limit(10, 60.0, "Too many codes were tried in the last minute. Wait {wait}, then type it once."),
        # A page asks twice when it is loaded, and once for each day that is leafed through.
        Kind.LOG: Limit(30, 60.0, "The log was asked too often in the last minute. Wait {wait}, then ask once."),
    }
)


class Limits:
    """Counts by kind and client, in bounded memory: whoever has stayed away longest is forgotten."""

    def __init__(self, most_clients: int = 2000) -> None:
        self._most = most_clients
        self._seen: OrderedDict[tuple[Kind, str], deque[float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._seen)

    def count(self, kind: Kind, client: str, now: float) -> Objection | None:
        """Count one more at `now` (monotonic seconds); an objection: it is one too many, and does not count."""
        limit = LIMITS[kind]
        stamps = self._seen.setdefault((kind, client), deque())
        self._seen.move_to_end((kind, client))
        while stamps and stamps[0] + limit.seconds <= now:
            stamps.popleft()
        if len(stamps) >= limit.most:
            wait = max(1, ceil(stamps[0] + limit.seconds - now))
            text = limit.text.format(wait=named(wait, "second"))
            return Objection(TOO_MANY, text, {"Retry-After": str(wait)})
        stamps.append(now)
        while len(self._seen) > self._most:
            self._seen.popitem(last=False)
        return None
