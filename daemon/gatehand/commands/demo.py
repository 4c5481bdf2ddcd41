"""`gatehand demo`: broker, simulated shop and the real daemon in one process, no hardware needed."""

import argparse
import asyncio
import shutil
from functools import partial
from pathlib import Path

from gatehand.commands import HIGHEST_PORT, ending, whole_number


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Plays a working day in a simulated instrument maker's shop with the real daemon over real MQTT, in about "
        "forty seconds, and shows where the event log is. Needs no hardware, no broker and no config. Exits 1 when "
        "something did not go as scripted."
    )
    parser.add_argument(
        "--keep",
        action="store_true",
        help="no script: the shop runs until Ctrl-C, for you to play with any MQTT client",
    )
    parser.add_argument(
        "--page",
        action="store_true",
        help="with the shop on a phone beside it, for a browser on this computer; its buttons work",
    )
    port = whole_number("a port", HIGHEST_PORT)
    parser.add_argument("--port", type=port, default=0, metavar="N", help="the broker's port; else any that is free")
    parser.add_argument(
        "--log", type=Path, metavar="FOLDER", help="keep log and config here; else in a new temporary folder"
    )


def run(args: argparse.Namespace) -> int:
    """Play, and say how it went."""
    from gatehand.demo.environment import FolderError
    from gatehand.demo.play import play
    from gatehand.mqtt.embedded import NoEmbeddedBrokerError

    if args.page:
        from gatehand.commands.page import need_server

        need_server("gatehand demo --page")
    width = shutil.get_terminal_size((80, 24)).columns
    with ending(NoEmbeddedBrokerError, FolderError, by="gatehand demo: "):
        write = partial(print, flush=True)
        return asyncio.run(
            play(keep=args.keep, port=args.port, folder=args.log, width=width, write=write, page=args.page)
        )
