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
        from gatehand.phone.server import Certificate, Tls, WrongCertificateError, listening_socket, say, serve
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in {"starlette", "uvicorn"}:
            raise
        raise CommandError(
            f"gatehand page: the package {error.name} is missing; install it with: pip install 'gatehand[page]'"
        ) from error
    from gatehand.commands.run import BAD_CONFIG
    from gatehand.phone.settings import Settings

    found = None if args.broker is not None else readable(args.config)
    place = where_to_look(args, "page", found)
    loaded, config = found or (None, None)
    settings = Settings(loaded, config, args.listen, say=say)
    page, certificate = settings.page, None
    if page.tls is not None and found is not None:
        try:
            certificate = Certificate(Tls(*map(found[0].file, (page.tls.cert_file, page.tls.key_file))), say)
        except WrongCertificateError as error:
            raise CommandError(f"gatehand page: {error}", BAD_CONFIG) from error
    try:
        sock = listening_socket(page.listen)
    except OSError as error:
        raise CommandError(
            f"gatehand page: cannot listen on {page.listen} ({error.strerror}): name another with --listen"
        ) from error
    print(f"The shop is on http{'s' if certificate else ''}://{page.listen}/ (Ctrl-C ends it)", flush=True)
    asyncio.run(serve(sock, place, settings, certificate, say))
    return 0
