"""`gatehand off`: tells every collector off, without the daemon. The service runs it when the daemon has ended."""

import argparse
import json
import sys
from dataclasses import replace
from typing import Final

from gatehand.config import Config, Loaded, load

WITHIN: Final = 2.5
"""Seconds for the broker, so that all of it is over within 4 s on a slow board too."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        f"Tells every collector off once and waits at most {WITHIN:g} s for the broker's word that it has the message. "
        "Needs no daemon. Gates are left as they are. A running daemon takes it for a collector switched off by hand. "
        "Exits 1 when a collector could not be told. It is no emergency stop."
    )
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Tell them off. 1: at least one was not told, or nobody listens."""
    loaded = load(args.config, files=False)
    config = loaded.config or _salvaged(loaded)
    if not config.collector:
        print(f"gatehand off: {loaded.path} names no collector that could be told; {_first_error(loaded)}")
        return 1
    told = _tell(config, loaded)
    if args.json:
        print(json.dumps({"ok": not any(told.values()), "collectors": told}, indent=2))
    else:
        for name, objection in told.items():
            print(f"collector {name}: told off" if objection is None else f"collector {name}: not told: {objection}")
    return 1 if any(told.values()) else 0


def _salvaged(loaded: Loaded) -> Config:
    """The daemon may have run with an earlier text: what this one still says of collectors is used."""
    from gatehand.config.salvage import salvage

    why = _first_error(loaded)
    print(f"gatehand off: the config has errors; using what can be read of it ({why})", file=sys.stderr)
    return salvage(loaded.text)


def _first_error(loaded: Loaded) -> str:
    return str(loaded.errors[0]) if loaded.errors else "gatehand check looks for mistakes"


def _tell(config: Config, loaded: Loaded) -> dict[str, str | None]:
    """For each collector None, or why it was not told."""
    from gatehand.config.secret import NoSecretError
    from gatehand.mqtt.deliver import deliver
    from gatehand.mqtt.explain import LinkFailedError, said_once
    from gatehand.mqtt.from_config import broker_settings
    from gatehand.mqtt.transport import Kind, Outgoing

    names = tuple(config.collector)
    offs = [Outgoing(each.command.topic, each.command.off.encode(), Kind.OFF) for each in config.collector.values()]
    try:
        settings = broker_settings(config, loaded.file)
    except NoSecretError as error:
        return dict.fromkeys(names, str(error))
    # An id of its own: the daemon may still be there, and one of the two would be thrown out.
    settings = replace(settings, client_id=f"{settings.client_id}-off")
    try:
        return dict(zip(names, deliver(settings, offs, WITHIN), strict=True))
    except LinkFailedError as failed:
        return dict.fromkeys(names, said_once(failed, settings))
