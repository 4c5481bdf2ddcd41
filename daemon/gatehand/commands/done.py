"""`gatehand done`: notes that a kind of upkeep was done, from when on its hours count anew."""

import argparse
from datetime import datetime

from gatehand.commands import CommandError, configured, device_name, moment, no_such
from gatehand.terminal import show


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Notes that upkeep was done: its hours count from zero again, from now on or from a given time. The config "
        "lists the upkeep under [upkeep.NAME]; `gatehand report` shows what is due. Lock a machine out "
        "before you reach into it."
    )
    parser.add_argument("upkeep", type=device_name, metavar="UPKEEP", help="its name in the config, such as filter")
    parser.add_argument("--at", metavar="TIME", type=moment, help="when it was done, if not now")


def run(args: argparse.Namespace) -> int:
    """Add the line."""
    config, loaded, _ = configured(args.config)
    from gatehand.report.upkeep_due import note_done

    if args.upkeep not in config.upkeep:
        otherwise = "" if config.upkeep else "the config has no [upkeep.NAME] table"
        raise no_such("gatehand done: there is no upkeep", args.upkeep, config.upkeep, otherwise)
    at = args.at or datetime.now().astimezone()
    folder = loaded.file(config.log.folder)
    try:
        note_done(folder, args.upkeep, at)
    except OSError as error:
        raise CommandError(f"{folder}: cannot be written ({error.strerror or error}), so nothing was noted") from error
    upkeep = f"{config.upkeep[args.upkeep].every_hours:g} h of {config.upkeep_collector(args.upkeep)}"
    show([f"{args.upkeep}: done {at:%Y-%m-%d %H:%M}; due again after {upkeep}"])
    return 0
