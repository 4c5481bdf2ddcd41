"""`gatehand boards`: the settings file of each board, so that config and boards cannot disagree."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands import (
    WRONG_USAGE,
    CommandError,
    broker_address,
    configured,
    ending,
    no_such,
    print_json,
)
from gatehand.terminal import show
from gatehand.text import listed

if TYPE_CHECKING:
    from gatehand.boards.devices import Device
    from gatehand.boards.folder import Boards
    from gatehand.boards.page import Work
    from gatehand.boards.refused import Refusal
    from gatehand.boards.settings import Broker
    from gatehand.config import Config, Loaded


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Writes a settings file for each device of the config, FOLDER/NAME/settings.json, for a board that runs the "
        "programs of deploy/boards. Topics, words, limits and logins come from the config. What you have filled in "
        "(Wi-Fi, pins, calibration) is kept when a file is written again, and you are shown what has changed.\n\n"
        "With --check it writes nothing, and exits 1 when a settings file no longer fits the config."
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
        type=broker_address,
        metavar="ADDRESS[:PORT]",
        help="the broker's numeric address in the shop's network, such as 192.168.1.10; else the config's, else the "
        "one that the boards in FOLDER have",
    )
    parser.add_argument(
        "--ca-file",
        type=Path,
        metavar="FILE",
        help="the boards come in encrypted, also where the daemon does not: the certificate that signed the broker's",
    )
    parser.add_argument("--check", action="store_true", help="write nothing; say which files no longer fit the config")
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Write them, or look at them. 1: something is in the way."""
    from gatehand.boards import page
    from gatehand.boards.folder import FolderError

    config, loaded, _ = configured(args.config)
    if args.ca_file is not None and not args.ca_file.is_file():
        text = f"{args.ca_file}: there is no such file; wanted the certificate that signed the broker's (ca.crt)"
        raise CommandError(f"gatehand boards: --ca-file: {text}", WRONG_USAGE)
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
        FolderError: there is no folder to write to.
    """
    from gatehand.boards import settings as of
    from gatehand.boards.devices import devices
    from gatehand.boards.folder import Boards, FolderError
    from gatehand.boards.page import Work
    from gatehand.boards.refused import refusals

    every, against = devices(config), refusals(config)
    chosen = _chosen(args.only, every)
    unfit = {one.login for one in against if one.is_ours} | {each.login for each in every if each.role is None}
    there = Boards(args.out)
    broker = _broker(args, config, there)
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
    passwords = trouble = None
    try:
        passwords = None if args.check else there.write_passwords()
    except FolderError as error:
        trouble = str(error)
    tls = config.broker.tls
    certificate = args.ca_file if args.ca_file or tls is None or tls.ca_file is None else loaded.file(tls.ca_file)
    return Work(
        args.out,
        boards,
        _placed(loaded, [one for one in against if one.is_ours and one.login in names]),
        _placed(loaded, [one for one in against if not one.is_ours and one.login in names]),
        there.left({each.login for each in every if each.role is not None}),
        proposed,
        None if broker.tls is None else str(certificate or ""),
        tls is not None and tls.cert_file is not None,
        passwords,
        trouble,
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


def _broker(args: argparse.Namespace, config: "Config", there: "Boards") -> "Broker":
    """The broker as a board reaches it: as it is given here, else as the config has it, else as the boards have it.

    Raises:
        CommandError: no address that a board can use is known.
    """
    from gatehand.boards.settings import broker_of, numeric

    how = "on the broker's computer, hostname -I shows it; then: gatehand boards --broker 192.168.1.10 --out boards"
    encrypted, listeners = args.ca_file is not None, there.listeners
    # A listener that was plain is none for boards that are to come in encrypted.
    plain_goes = encrypted or config.broker.tls is not None
    if args.broker is not None:
        host, port = args.broker
        if numeric(host) is None:
            text = f"found --broker {host!r}; a board looks up no names: wanted a numeric address in the shop's network"
            raise CommandError(f"gatehand boards: {text}, not 127.0.0.1 ({how})", WRONG_USAGE)
        known = [one for one in listeners if one[0] == host]
        if port is None and not encrypted and len(known) == 1 and (known[0][2] or not plain_goes):
            _, port, encrypted = known[0]
        return broker_of(config, host, port, encrypted=encrypted)
    if (own := numeric(config.broker.host)) is not None:
        return broker_of(config, own, encrypted=encrypted)
    if len(listeners) == 1 and numeric(listeners[0][0]) is not None:
        host, port, was = listeners[0]
        return broker_of(config, host, port if was or not plain_goes else None, encrypted=encrypted or was)
    hosts = [f"{host}:{port}{' (encrypted)' if tls else ''}" for host, port, tls in listeners]
    several = f" The boards in {there.folder} have {listed(hosts, last='and')}." if len(hosts) > 1 else ""
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
