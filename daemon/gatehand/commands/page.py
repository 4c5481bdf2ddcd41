"""`gatehand page`: the shop on a phone, by a process of its own."""

import argparse
import asyncio
import ipaddress
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gatehand.commands import WRONG_USAGE, CommandError, add_broker, fitted, readable, where_to_look
from gatehand.text import listed, named

if TYPE_CHECKING:
    from gatehand.config.tables import PageTable
    from gatehand.phone.pairing import Pairing

_LISTEN: Final = "127.0.0.1:8080"


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Shows the shop as a page for a phone's browser: collector, alarms with what to do next, each station, the "
        "last events. What a paired phone may ask for is in [page] allow; by default nothing. The page is not an "
        "emergency stop and not a lockout. Ctrl-C ends it."
    )
    parser.add_argument(
        "--listen", metavar="ADDRESS:PORT", help=f"instead of the config's [page] listen; else {_LISTEN}"
    )
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="where paired phones are remembered; else $STATE_DIRECTORY, else beside the config",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--pair", action="store_true", help="print a new code for a phone, and end")
    what.add_argument("--forget", action="store_true", help="forget every paired phone, and end")
    add_broker(parser)


def need_server(command: str) -> None:
    """See that the server library is there.

    Raises:
        CommandError: it is not.
    """
    from importlib.util import find_spec

    missing = [name for name in ("starlette", "uvicorn") if find_spec(name) is None]
    if missing:
        text = f"the package {missing[0]} is missing; install it with: pip install 'gatehand[page]'"
        raise CommandError(f"{command}: {text}")


def run(args: argparse.Namespace) -> int:
    """Serve until it is ended."""
    from gatehand.config.tables import PageTable
    from gatehand.phone.pairing import Pairing
    from gatehand.shell.state_folder import state_folder

    pairing = Pairing(state_folder(args.state, args.config), time.time, _say)
    if args.forget:  # whatever the config says
        return _forget(pairing)
    found = None if args.broker is not None else readable(args.config)
    config = None if found is None else found[1]
    page = _in_force((config.page if config is not None else None) or PageTable(), args.listen)
    if args.pair:
        return _pair(page, pairing)
    need_server("gatehand page")
    from gatehand.commands.run import BAD_CONFIG
    from gatehand.phone.folder_locks import serve_from
    from gatehand.phone.server import listening_socket, say, serve
    from gatehand.phone.settings import Settings
    from gatehand.phone.tls_files import Certificate, Tls, TlsError

    place = where_to_look(args, "page", found)
    loaded, config = found or (None, None)
    settings = Settings(loaded, config, page.listen if args.listen is not None else None, say=say)
    certificate = None
    if page.tls is not None and found is not None:
        files = Tls(found[0].file(page.tls.cert_file), found[0].file(page.tls.key_file))
        try:
            certificate = Certificate(files, say)
        except TlsError as error:
            raise CommandError(f"gatehand page: [page] tls: {error}", BAD_CONFIG) from error
    try:
        sock = listening_socket(page.listen)
    except OSError as error:
        raise CommandError(
            f"gatehand page: cannot listen on {page.listen} ({error.strerror}): name another with --listen"
        ) from error
    if serve_from(pairing.folder) is None:
        _say(f"the folder {pairing.folder} cannot be written, so no phone can be paired: name another with --state")
    print(f"The shop is on {_address(page)} (Ctrl-C ends it)", flush=True)
    paired = pairing.count  # says what is wrong with the file
    if page.allow and not paired and sys.stdout.isatty():  # never into a journal: whoever reads it could pair
        _print_code(page, pairing)
    asyncio.run(serve(sock, place, settings, certificate, pairing, say))
    return 0


def _say(text: str) -> None:
    with suppress(OSError):  # whoever read it has gone
        print(f"gatehand page: {text}", file=sys.stderr, flush=True)


def _in_force(page: "PageTable", given: str | None) -> "PageTable":
    """With the address of the command line, which obeys what the config's must.

    Raises:
        CommandError: it is not an address and a port, or phones could ask there without encryption.
    """
    from pydantic_core import PydanticCustomError

    from gatehand.commands.run import BAD_CONFIG
    from gatehand.config.check_page import is_loopback
    from gatehand.config.values import listen

    if given is not None:
        try:
            page = page.model_copy(update={"listen": listen(given)})
        except PydanticCustomError as error:
            raise CommandError(f"gatehand page: --listen: {error.message()}", WRONG_USAGE) from None
    if page.allow and page.tls is None and not is_loopback(page.listen):
        raise CommandError(
            f"gatehand page: [page] allow names {listed(page.allow, last='and')}, and {page.listen} is not encrypted: "
            f"wanted tls beside it, or an address of this computer alone, such as {_LISTEN}",
            BAD_CONFIG if given is None else WRONG_USAGE,
        )
    return page


def _pair(page: "PageTable", pairing: "Pairing") -> int:
    from gatehand.phone.folder_locks import is_served

    _print_code(page, pairing)
    if not is_served(pairing.folder):
        _say(
            f"no page is running with the folder {pairing.folder}, so nothing takes this code yet: start the page, or "
            "name the folder of the one that is running with --state"
        )
    return 0


def _print_code(page: "PageTable", pairing: "Pairing") -> None:
    from gatehand.config.tables import PAGE_ASKS
    from gatehand.phone.pairing import TRIES, VALID_FOR, PairingError

    try:
        code = pairing.new_code()
    except PairingError as error:
        raise CommandError(f"gatehand page: {error}: name another folder with --state") from error
    print(f"\n    {code}\n")
    at = _address(page)
    opens = f"the page on the phone (on this computer it is at {at})" if _is_here(page) else f"{at} on the phone"
    where = (
        f"Open {opens}, press Pair this phone and type this code. It is valid for {VALID_FOR // 60} "
        f"minutes, for one phone, and void after {TRIES} wrong tries."
    )
    asks = [PAGE_ASKS[each] for each in page.allow]
    may = (
        f"The phone may then ask for {listed(asks, last='and')}, until it is unpaired."
        if asks
        else "A paired phone may not ask for anything yet: [page] allow in the config says what it may, such as "
        'allow = ["hold"].'
    )
    print("\n".join(line for text in (where, may) for line in fitted(text)), flush=True)


def _forget(pairing: "Pairing") -> int:
    from gatehand.phone.pairing import PairingError

    try:
        count = pairing.forget_all()
    except PairingError as error:
        raise CommandError(f"gatehand page: {error}") from error
    if count:
        print(f"{named(count, 'phone')} forgotten. Each must be paired again before it can ask for anything.")
    else:
        print(f"No phone was paired in {pairing.folder}. A code that was still open is void.")
    return 0


def _is_here(page: "PageTable") -> bool:
    """Whether this computer alone reaches it: a phone comes by a web server or a tunnel, whose address is not known."""
    from gatehand.config.check_page import is_loopback

    return is_loopback(page.listen)


def _address(page: "PageTable") -> str:
    """What to type on a phone: the first name, else the address. One that means every address has none to show."""
    host, _, port = page.listen.rpartition(":")
    scheme, usual = ("http", "80") if page.tls is None else ("https", "443")
    if page.hosts and not _is_here(page):
        host = page.hosts[0]
    elif ipaddress.ip_address(host.strip("[]")).is_unspecified:
        host = "ADDRESS-OF-THIS-COMPUTER"
    return f"{scheme}://{host}{'' if port == usual else f':{port}'}/"
