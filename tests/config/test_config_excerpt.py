"""The line of a mistake with its span marked: below what it means, whatever the line holds."""

from gatehand.config.codes import Severity
from gatehand.config.excerpt import WIDEST, excerpt
from gatehand.config.problems import Problem


def shown(line: str, column: int, end_column: int) -> list[str]:
    problem = Problem("c.toml", 2, column, end_column, "", Severity.ERROR, "bad-topic", "is wrong")
    return [*excerpt(["# first", line], problem)]


def marked(line: str, column: int, end_column: int) -> str:
    """What stands above the mark."""
    text, mark = shown(line, column, end_column)
    start = mark.index("^")
    return text[start : start + mark.count("^")]


def test_the_span_is_marked_and_the_code_named() -> None:
    assert shown("run_on = 10", 10, 12) == ["    2 | run_on = 10", "      |          ^^ bad-topic"]


def test_a_place_without_width_gets_one_mark() -> None:
    assert shown("run_on =", 9, 9)[1] == "      |         ^ bad-topic"


def test_tabs_and_wide_letters_do_not_move_the_mark() -> None:
    assert shown("\trun_on = 10", 2, 8) == ["    2 |     run_on = 10", "      |     ^^^^^^ bad-topic"]
    assert shown("x = \u6728 10", 7, 9)[1] == "      |        ^^ bad-topic"
    assert shown("e\u0301 = 10", 6, 8)[1] == "      |     ^^ bad-topic"


def test_nothing_reaches_the_terminal_that_it_would_act_on() -> None:
    assert shown("x = \x1b[31m10", 1, 2)[0] == "    2 | x = \ufffd[31m10"


def test_of_a_long_line_the_part_around_the_mark_is_shown() -> None:
    line = f"topics = [{', '.join(f'{number:04}' for number in range(200))}]"
    column = line.index("0150") + 1
    text, mark = shown(line, column, column + 4)
    assert len(text) <= WIDEST + 20
    assert text.count("...") == 2
    assert marked(line, column, column + 4) == "0150"
    assert mark.endswith("^^^^ bad-topic")
    assert marked(line, 1, 7) == "topics"


def test_a_line_that_is_not_there_or_empty_is_not_shown() -> None:
    assert shown("", 1, 1) == []
    assert [*excerpt([], Problem("c", 1, 1, 1, "", Severity.ERROR, "unreadable-file", "x"))] == []
