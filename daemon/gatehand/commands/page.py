"""`gatehand page`: the shop on a phone, by a process of its own."""

import argparse
import asyncio
from pathlib import Path

from gatehand.commands import CommandError, add_broker, readable, where_to_look

_LISTEN = "127.0.0.1:8080"


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


def run(args: argparse.Namespace) -> int:
    """Serve until it is ended."""
    try:
        from gatehand.phone.server import Tls, listening_socket, serve
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in {"starlette", "uvicorn"}:
            raise
        raise CommandError(
            f"gatehand page: the package {error.name} is missing; install it with: pip install 'gatehand[page]'"
        ) from error
    from gatehand.config.tables import PageTable
    from gatehand.phone.parts import Stations

    found = None if args.broker is not None else readable(args.config)
    place = where_to_look(args, "page", found)
    config = None if found is None else found[1]
    page = (config.page if config is not None else None) or PageTable()
    tls = None
    if page.tls is not None and found is not None:
        tls = Tls(found[0].file(page.tls.cert_file), found[0].file(page.tls.key_file))
    listen = args.listen or page.listen
    try:
        sock = listening_socket(listen)
    except OSError as error:
        raise CommandError(
            f"gatehand page: cannot listen on {listen} ({error.strerror}): name another with --listen"
        ) from error
    print(f"The shop is on http{'s' if tls else ''}://{listen}/ (Ctrl-C ends it)", flush=True)
    asyncio.run(serve(sock, place, None if config is None else Stations.of(config), tls))
    return 0
