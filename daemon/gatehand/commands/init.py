"""`gatehand init`: a first config by asking and listening. Publishes nothing; never overwrites."""

import argparse
import asyncio
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gatehand.commands import WRONG_USAGE, CommandError, ending, seconds, write
from gatehand.terminal import hung, paragraph, show, wrapped

if TYPE_CHECKING:
    from gatehand.first_config.answers import Kept
    from gatehand.first_config.draft import Draft

INTERRUPTED: Final = 130
"""As shells have it for Ctrl-C."""
_MOST_QUIET: Final = 600.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Writes a first config: asks for the shop's collectors, gates, tools and stops, listens to the broker while "
        "you switch or press each of them once, and writes a commented file that gatehand check passes. It moves "
        "and switches nothing itself. Every answer is kept at once: after Ctrl-C the same command carries on. "
        '"back" returns to the question before; "skip" leaves a device unfinished, in a comment that says what is '
        "missing."
    )
    parser.add_argument("--output", type=Path, metavar="FILE", help="write here; else where the config belongs")
    parser.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="answer a question beforehand; can be repeated",
    )
    parser.add_argument("--answers", type=Path, metavar="FILE", help="answers in TOML, under the same keys")
    parser.add_argument("--yes", action="store_true", help="take the suggested answer wherever you gave none")
    parser.add_argument(
        "--listen-first",
        type=seconds(_MOST_QUIET, "20"),
        metavar="SECONDS",
        help="how long to listen before anything is switched; default 20",
    )
    parser.add_argument("--list-questions", action="store_true", help="show the keys of all questions and exit")
    parser.add_argument("--afresh", action="store_true", help="forget the kept answers and start over")


def run(args: argparse.Namespace) -> int:
    """Ask, listen, write."""
    from gatehand.first_config.answers import AnswersError, Kept, given
    from gatehand.first_config.evening import Evening, summary
    from gatehand.first_config.port import BrokenOffError, UnansweredError, UnreachableError, WrongAnswerError

    if args.list_questions:
        _list_questions()
        return 0
    path: Path = args.output or args.config
    _refuse_to_overwrite(path)
    with _wrong_usage(AnswersError):
        answers = given(args.answer, args.answers)
    kept = Kept(path)
    with ending(AnswersError, by="gatehand init: "):
        if args.afresh:
            kept.remove()
        elif kept.read():
            show([summary(kept)])

    async def evening() -> "Draft":
        from gatehand.first_config.ears import owners_ears

        async with owners_ears(sys.stdout, path.parent) as ears:
            return await Evening(ears, answers, kept, suggested=args.yes, listen_first=args.listen_first).run()

    try:
        with (
            ending(AnswersError, UnreachableError, by="gatehand init: "),
            _wrong_usage(UnansweredError, WrongAnswerError),
        ):
            draft = asyncio.run(evening())
    except BrokenOffError:
        show(["", f"Nothing is lost: {kept.path} has your answers, and the same command carries on from there."])
        return INTERRUPTED
    return _write(draft, kept, path, named=path != _usual())


@contextmanager
def _wrong_usage(*kinds: type[Exception]) -> Iterator[None]:
    """Where one of these errors ends the command as used wrongly."""
    try:
        yield
    except kinds as error:
        raise CommandError(f"gatehand init: {error}", WRONG_USAGE) from error


def _list_questions() -> None:
    from gatehand.first_config.questions import QUESTIONS

    opening = "NAME stands for a device's name. Each with --answer KEY=VALUE, or in the TOML file of --answers."
    width, key_room = paragraph(80), max(map(len, QUESTIONS)) + 2
    show((*wrapped(opening, width), ""))
    below = " " * (key_room if key_room <= width // 2 else 4)
    for key, what in QUESTIONS.items():
        show(hung(what, width, first=f"{key:<{key_room}}", then=below))


def _refuse_to_overwrite(path: Path) -> None:
    if path.exists() or path.is_symlink():
        raise CommandError(
            f"gatehand init: {path} already exists and is not overwritten; name another with --output other.toml, or "
            f"carry on with it: gatehand check --config {path}"
        )


def _write(draft: "Draft", kept: "Kept", path: Path, *, named: bool) -> int:
    """Check it, write it where nothing is, say what is next."""
    from gatehand.config import load_text
    from gatehand.first_config.script import OPENING

    text = draft.text(OPENING)
    loaded = load_text(text, path)
    for problem in loaded.problems:
        show([str(problem)], sys.stderr)
    if not loaded.ok:
        aside = path.with_name(path.name + ".draft")
        write(aside, text)
        raise CommandError(
            f"gatehand init: {path} is not written, because gatehand check finds errors in it; it is in {aside}. "
            "The answers are kept: correct one with --answer KEY=VALUE, and the same command carries on"
        )
    write_new(path, text)
    kept.remove()
    width = paragraph(80)
    show(["", f"{path}: written; gatehand check finds no errors in it."])
    show(f"  not finished: {one}" for one in draft.unfinished)
    if draft.first_cuts:
        show((*wrapped(FIRST_CUTS, width), *(f"  {one}" for one in draft.first_cuts)))
    show(wrapped(_next(path, named=named), width))
    return 0


FIRST_CUTS: Final = (
    "The tools below miss their first cut after each start of the daemon: their sensors speak only on change, and the "
    "broker does not seem to keep their last message. Let the device retain its messages, if it has a setting for "
    "that, "
    "or let Gatehand ask for one: poll = { topic = ..., payload = ... } in the sensor's braces. gatehand check warns "
    "about it too "
    "(first-cut)."
)


def _next(path: Path, *, named: bool) -> str:
    """What comes then. `named`: the config is not at the place where every command looks for it."""
    at = f" --config {path}" if named else ""
    return (
        f"Next: gatehand check{at}, then gatehand exercise{at}, which tries every gate and tool with the collector "
        f"kept off, then gatehand run{at}. After some days of work, gatehand tune finds better thresholds in what "
        f"was recorded."
    )


def _usual() -> Path:
    """Where every command looks for the config unless it is told."""
    from gatehand.cli import DEFAULT_CONFIG

    return Path(os.environ.get("GATEHAND_CONFIG") or DEFAULT_CONFIG)


def write_new(path: Path, text: str) -> None:
    """Whole or not at all, and never over a file that came meanwhile."""
    from gatehand.journal.disk import ASIDE, Disk

    disk, aside = Disk(), path.with_name(path.name + ASIDE)
    try:
        disk.write_file(aside, text.encode(), 0o640)
        try:
            os.link(aside, path)
        finally:
            disk.remove(aside)
        disk.sync_folder(path.parent)
    except FileExistsError:
        _refuse_to_overwrite(path)
    except OSError as error:
        raise CommandError(
            f"gatehand init: {path}: cannot be written ({error.strerror or error}): name another --output"
        ) from error
