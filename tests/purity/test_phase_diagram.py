"""The diagram of a collector's phases in DEVELOPERS.md is the table by which the rules change them."""

from pathlib import Path

import pytest

from gatehand_rules.phases import TABLE, added, at_start
from gatehand_rules.state import Phase, collector_word

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "```mermaid\nstateDiagram-v2\n", "```\n"


def diagram() -> str:
    """The table as a diagram: for each two phases one arrow, and on it the causes."""
    text = "".join(
        f"    [*] --> {collector_word(begun)}: {how}\n"
        for how, begun in (("daemon's start", at_start()), ("added by an edit", added()))
    )
    arrows: dict[tuple[type[Phase], type[Phase]], list[str]] = {}
    for before, row in TABLE.items():
        for cause, after in row.items():
            arrows.setdefault((before, after), []).append(str(cause))
    for (before, after), causes in arrows.items():
        text += f"    {before.word} --> {after.word}: {', '.join(causes)}\n"
    return BEGIN + text + END


def test_the_diagram_is_the_table(request: pytest.FixtureRequest) -> None:
    """`pytest --rewrite-scenarios` draws it anew."""
    guide = GUIDE.read_text(encoding="utf-8")
    begin = guide.index(BEGIN)
    end = guide.index(END, begin + len(BEGIN)) + len(END)
    if request.config.getoption("--rewrite-scenarios"):
        GUIDE.write_text(guide[:begin] + diagram() + guide[end:], encoding="utf-8")
        return
    assert guide[begin:end] == diagram()
