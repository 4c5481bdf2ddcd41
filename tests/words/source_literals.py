"""The prose of the source: every string literal that a person may come to read. No judgement; `wording` has that.

A literal counts as prose when it has two words in a row. What is filled in is shown by its name in braces, a choice of
two words as (is|are).
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_PROSE: Final = re.compile(r"[a-z]{2,},? [a-z]|[a-z] \{|\} [a-z]")
_NOT_PROSE: Final = ("<", "\n:root", "^(")
"""How pieces of HTML, SVG, CSS and regular expressions begin."""


@dataclass(frozen=True)
class Literal:
    """`text` as a person would read it; `filled`: what stands before each of its constant parts, as source."""

    line: int
    text: str
    counted: tuple[tuple[str, str], ...] = ()


def literals(path: Path) -> Iterator[Literal]:
    """Those of one file, in its order."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = set(_skipped(tree))
    found = [
        Literal(node.lineno, _text(node), tuple(_counted(node)))
        for node in ast.walk(tree)
        if id(node) not in skipped and isinstance(node, ast.Constant | ast.JoinedStr) and isinstance(_text(node), str)
    ]
    for one in sorted(found, key=lambda each: each.line):
        if _PROSE.search(one.text) and not one.text.startswith(_NOT_PROSE):
            yield one


def _skipped(tree: ast.Module) -> Iterator[int]:
    """Docstrings, parts of a longer literal, and lists of words that are split."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield id(node.value)
        elif isinstance(node, ast.JoinedStr):
            yield from (id(part) for part in node.values)
            yield from (id(part) for part in ast.walk(node) if isinstance(part, ast.Constant) and _short(part))
        elif isinstance(node, ast.Attribute) and node.attr == "split":
            yield id(node.value)


def _short(part: ast.Constant) -> bool:
    return not isinstance(part.value, str) or not _PROSE.search(part.value)


def _text(node: ast.expr) -> str:
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr():
            return "".join(_text(part) if isinstance(part, ast.Constant) else _field(part) for part in node.values)
        case _:
            return ""


def _field(part: ast.expr) -> str:
    shown = _label(part.value) if isinstance(part, ast.FormattedValue) else "..."
    return shown if shown.startswith("(") else f"{{{shown}}}"


def _label(node: ast.expr) -> str:
    """What is filled in, by the last name in it."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name.strip("_").lower()
        case ast.IfExp(body=ast.Constant(value=str(one)), orelse=ast.Constant(value=str(other))):
            return f"({one}|{other})"
        case ast.Call(args=[first, *_]):
            return _label(first)
        case ast.Call(func=func):
            return _label(func)
        case ast.Subscript(value=value) | ast.Starred(value=value) | ast.BinOp(left=value):
            return _label(value)
        case _:
            return "..."


def _counted(node: ast.expr) -> Iterator[tuple[str, str]]:
    """The source of what is filled in, and the constant that follows it."""
    if isinstance(node, ast.JoinedStr):
        for part, after in zip(node.values, node.values[1:], strict=False):
            if isinstance(part, ast.FormattedValue) and isinstance(after, ast.Constant):
                yield ast.unparse(part.value), str(after.value)
