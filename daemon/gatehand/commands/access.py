"""`gatehand access`: the broker's access list for this config."""

import argparse

from gatehand.access_rights import access_list, users
from gatehand.commands import configured, no_such, print_json


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Prints who may publish and read what on the broker, as a Mosquitto access list: the daemon may command, a "
        "viewer may only look, hands may ask for a hand start, a hold, a reset, an off or a reload, and acknowledge "
        "alarms, page may ask for what [page] allow names, and each device has only its own topics."
    )
    parser.add_argument(
        "--only",
        action="append",
        metavar="LOGIN",
        help="only this login, such as tool-band_saw; can be repeated (for a listener with a list of its own)",
    )
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Print the list. 1: the config has errors."""
    config, _, _ = configured(args.config)
    everybody = users(config)
    if args.only is not None:
        known = [user.name for user in everybody]
        for name in args.only:
            if name not in known:
                raise no_such("gatehand access: there is no login", name, known)
        everybody = tuple(user for user in everybody if user.name in args.only)
    if args.json:
        rights = {
            user.name: [{"right": str(right), "topic": topic} for right, topic in user.rights] for user in everybody
        }
        print_json(rights)
    else:
        print(access_list(everybody), end="")
    return 0
