"""`gatehand boards`: the settings file of each board, so that config and boards cannot disagree."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands import WRONG_USAGE, CommandError, configured, ending, no_such, print_json
from gatehand.terminal import show

if TYPE_CHECKING:
    from gatehand.boards.devices import Device
    from gatehand.boards.folder import Boards
    from gatehand.boards.page import Work
    from gatehand.boards.refused import Refusal
    from gatehand.config import Config, Loaded


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Writes for each device of the config its settings file, FOLDER/NAME/settings.json, for a board with the "
        "programs of deploy/boards: topics, words, limits and login are the config's. What you have filled in there "
        "(Wi-Fi, pins, calibration) is kept when it is written again, and what has changed is told.\n\n"
        "With --check it writes nothing, and exits 1 where a settings file no longer fits the config."
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FOLDER", help="where each board has a folder of its own"
    )
    parser.add_argument(
        "--only",
        nargs="+",
        action="extend",
        metavar="NAME",
        help="only these boards, such as gate-band_saw; or band_saw, for all of that name",
    )
    parser.add_argument(
        "--broker",
        metavar="ADDRESS",
        help="the broker's numeric address in the shop's network, such as 192.168.1.10; else the config's, else the "
        "one that the boards in FOLDER have",
    )
    parser.add_argument("--check", action="store_true", help="write nothing; say which files no longer fit the config")
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Write them, or look at them. 1: something is in the way."""
    from gatehand.boards import page
    from gatehand.boards.folder import FolderError

    config, loaded, _ = configured(args.config)
    if args.out.exists() and not args.out.is_dir():
        raise CommandError(f"gatehand boards: {args.out} is a file; wanted a folder", WRONG_USAGE)
    with ending(FolderError, by="gatehand boards: "):
        work = _work(args, config, loaded)
    if args.json:
        print_json(page.facts(work))
    else:
        show(page.text(work))
    return 0 if work.ok else 1


def _work(args: argparse.Namespace, config: "Config", loaded: "Loaded") -> "Work":
    """All of it.

    Raises:
        FolderError: a file cannot be written.
    """
    from gatehand.boards import settings as of
    from gatehand.boards.devices import devices
    from gatehand.boards.folder import Boards
    from gatehand.boards.page import Work
    from gatehand.boards.refused import refusals

    every, against = devices(config), refusals(config)
    chosen = _chosen(args.only, every)
    unfit = {one.login for one in against if one.is_ours} | {each.login for each in every if each.role is None}
    there = Boards(args.out)
    broker = of.broker_of(config, _host(args.broker, config, there))
    boards = []
    for device in chosen:
        if device.login in unfit:
            continue
        board = there.compare(device, of.settings_of(config, device, broker), has_login=broker.has_logins)
        if not args.check:
            there.write(board)
        boards.append(board)
    names = {each.login for each in chosen}
    proposed = [line for each in chosen if each.login not in unfit and (line := of.online_line(each)) is not None]
    tls = config.broker.tls
    return Work(
        args.out,
        boards,
        _placed(loaded, [one for one in against if one.is_ours and one.login in names]),
        _placed(loaded, [one for one in against if not one.is_ours and one.login in names]),
        there.left({each.login for each in every if each.role is not None}),
        proposed,
        None if tls is None else "" if tls.ca_file is None else str(loaded.file(tls.ca_file)),
        tls is not None and tls.cert_file is not None,
        None if args.check else there.write_passwords(),
        args.check,
        broker.host,
    )


def _chosen(only: list[str] | None, every: "tuple[Device, ...]") -> "list[Device]":
    if only is None:
        return list(every)
    known = [each.login for each in every]
    for name in only:
        if name not in known and all(name != each.name for each in every):
            raise no_such("gatehand boards: there is no board", name, [*known, *(each.name for each in every)])
    return [each for each in every if each.login in only or each.name in only]


def _host(given: str | None, config: "Config", there: "Boards") -> str:
    """The broker's address, as a board can use it.

    Raises:
        CommandError: there is none.
    """
    from gatehand.boards.settings import numeric

    how = "hostname -I, on the broker's computer, shows it: gatehand boards --broker 192.168.1.10"
    if given is not None:
        if (found := numeric(given)) is None:
            text = f"gatehand boards: found --broker {given!r}; a board looks up no names: wanted a numeric address"
            raise CommandError(f"{text} in the shop's network, not 127.0.0.1 ({how})", WRONG_USAGE)
        return found
    if (found := numeric(config.broker.host)) is not None:
        return found
    if len(hosts := there.hosts) == 1 and numeric(hosts[0]) is not None:
        return hosts[0]
    several = f" The boards in {there.folder} have {' and '.join(hosts)}." if len(hosts) > 1 else ""
    raise CommandError(
        f"gatehand boards: the config's host is {config.broker.host!r}, and a board cannot use that: it looks up no "
        f"names, and 127.0.0.1 would be the board itself.{several} Wanted the broker's numeric address in the shop's "
        f"network ({how})"
    )


def _placed(loaded: "Loaded", refusals: "list[Refusal]") -> list[str]:
    """With file, line and column."""
    from gatehand.config.codes import Code, Severity
    from gatehand.config.problems import Fault

    code = Code("board", Severity.ERROR, "", "")
    placed = loaded.placed(Fault(one.path, code, one.text) for one in refusals)
    return [f"{one.file}:{one.line}:{one.column}: {one.where}: {one.message}" for one in placed]
