"""`gatehand schema`: the config's JSON Schema, with which editors complete keys and mark mistakes while one types."""

import argparse
import json
from pathlib import Path

from gatehand.commands import write
from gatehand.config.json_schema import json_schema
from gatehand.text import named


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Prints the config's JSON Schema (draft 2020-12). Many editors use it when the config's first line is "
        '"#:schema gatehand.schema.json". Mistakes that span several tables are found by `gatehand check` only.'
    )
    parser.add_argument("--write", type=Path, metavar="FILE", help="write it to a file instead")


def run(args: argparse.Namespace) -> int:
    """Print or write it."""
    text = json.dumps(json_schema(), indent=2) + "\n"
    if args.write is None:
        print(text, end="")
        return 0
    write(args.write, text)
    print(f"{args.write}: written, {named(len(text), 'byte')}")
    return 0
