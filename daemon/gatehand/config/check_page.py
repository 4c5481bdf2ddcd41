"""The page on the network: what it allows wants encryption, and browsers want a name to call it by."""

import ipaddress
from collections.abc import Iterator

from gatehand.config import codes
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault


def is_loopback(listen: str) -> bool:
    """Whether an address and port, such as `127.0.0.1:8080`, is of this computer alone."""
    return ipaddress.ip_address(listen.rpartition(":")[0].strip("[]")).is_loopback


def check_page(partial: Partial) -> Iterator[Fault]:
    """Every fault of `[page]`."""
    page = partial.config.page
    if page is None or partial.is_spoilt("page", "listen") or is_loopback(page.listen):
        return
    if page.allow and page.tls is None and not partial.is_spoilt("page", "tls"):
        text = f"found {', '.join(page.allow)} on {page.listen}, which is not encrypted; wanted tls beside it"
        yield Fault(("page", "allow"), codes.PAGE_OPEN, f'{text}, or listen = "127.0.0.1:8080"')
    if not page.hosts and not partial.is_spoilt("page", "hosts"):
        text = f'{page.listen} can be called by its address only; for a name add hosts, such as hosts = ["shop.local"]'
        yield Fault(("page", "listen"), codes.PAGE_HOSTS, text)
