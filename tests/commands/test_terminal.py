"""Text in a terminal's columns: what is wide, where lines break, and that files and programs get whole lines."""

import io
import json
import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatehand.cli import main
from gatehand.terminal import broken, columns, cut, fitted, head, hung, padded, paragraph, show, tail, wide, wrapped

WORDS = st.lists(
    st.sampled_from(["saw", "run-on", "12", "s", "min", "1,840", "W", "3", "帯鋸", "e\u0301te\u0301", "x" * 30]),
    max_size=30,
).map(" ".join)
LINE = (
    "2026-03-05 14:32:10.250  gate band saw is faulty: it was told to open 3 times and did not report within "
    "1 min 30 s; the start goes on without it"
)


@pytest.mark.parametrize(
    ("text", "taken"),
    [
        ("band saw", 8),
        ("帯鋸盤", 6),
        ("\uff21\uff22", 4),
        ("ﾊﾞﾝﾄﾞ", 5),
        ("sägeblatt", 9),
        ("sa\u0308ge", 4),
        ("\u0e17\u0e35\u0e48", 1),
        ("\u1112\u1161\u11ab", 2),
        ("\U0001fa9a", 2),
        ("\u2699", 1),
        ("\u2699\ufe0f", 2),
        ("\U0001fa9a\ufe0f", 2),
        ("\U0001f1e9\U0001f1ea", 2),
        ("\U0001f469\u200d\U0001f527", 4),
        ("", 0),
    ],
)
def test_what_a_text_takes_in_columns(text: str, taken: int) -> None:
    assert wide(text) == taken


@given(st.text(st.sampled_from("ab 帯é\u0301\U0001fa9aﾊ\uff21\u2699"), max_size=30))
def test_no_screen_takes_more_columns_than_were_counted(text: str) -> None:
    cells = pytest.importorskip("rich.cells")
    assert cells.cell_len(text) <= wide(text)


@given(st.text(st.sampled_from("ab 帯e\u0301\U0001fa9a"), max_size=30), st.integers(0, 40))
def test_what_is_cut_fits_and_keeps_marks_with_their_letters(text: str, width: int) -> None:
    begins, ends = head(text, width), tail(text, width)
    assert text.startswith(begins)
    assert text.endswith(ends)
    assert max(wide(begins), wide(ends), wide(cut(text, width))) <= width
    assert not text[len(begins) :].startswith("\u0301") or not begins
    assert not ends.startswith("\u0301")
    if wide(text) <= width:
        assert begins == cut(text, width) == text
        assert wide(padded(text, width)) == wide(padded(text, width, right=True)) == width


@settings(max_examples=200)
@given(WORDS, st.integers(20, 200), st.booleans())
def test_broken_lines_fit_lose_nothing_and_part_no_number_from_its_unit(text: str, width: int, whole: bool) -> None:
    lines = [text[part] for part in broken(text, width, width - 4, whole=whole)]
    assert "".join("".join(lines).split()) == "".join(text.split())
    for number, line in enumerate(lines):
        assert wide(line) <= (width - 4 if number else width) or (whole and " " not in line)
        assert line == line.strip()
    for line, after in pairwise(lines):
        assert not (re.search(r"\d$", line) and re.match(r"(s|min|W)\b", after)), text
        assert whole or "-" not in line[-1:], "no break at a hyphen"


def test_a_length_of_time_stays_on_one_line() -> None:
    for width in range(20, 60):
        lines = list(hung("it will be switched off in 1 h 29 min if nothing happens, 3 of 12 starts", width))
        assert any("1 h 29 min" in line for line in lines)
        assert any("3 of 12" in line for line in lines)


def test_a_topic_stays_whole_where_it_is_to_be_copied_and_is_broken_where_a_screen_has_to_hold_it() -> None:
    topic = "shop/by_the_window/band_saw/amps"
    assert list(hung(f"heard on {topic}", 20, then="  ", whole=True)) == ["heard on", f"  {topic}"]
    assert list(hung(f"heard on {topic}", 20, then="  ")) == ["heard on", "  shop/by_the_window", "  /band_saw/amps"]


def test_a_line_goes_on_below_its_last_column_where_that_leaves_room() -> None:
    assert list(fitted(LINE, None)) == [LINE]
    assert list(fitted(LINE, 200)) == [LINE]
    assert list(fitted(LINE, 80)) == [
        "2026-03-05 14:32:10.250  gate band saw is faulty: it was told to open 3 times",
        "                         and did not report within 1 min 30 s; the start goes on",
        "                         without it",
    ]
    assert list(fitted(LINE, 40)) == [
        "2026-03-05 14:32:10.250  gate band saw",
        "    is faulty: it was told to open 3",
        "    times and did not report within",
        "    1 min 30 s; the start goes on",
        "    without it",
    ]
    assert list(fitted("  an indented line that is long", 20)) == ["  an indented line", "      that is long"]


def test_paragraphs_keep_their_lines_and_tables_their_columns() -> None:
    assert list(wrapped("one two three\n\n  four five six", 10)) == [
        "one two",
        "three",
        "",
        "  four",
        "    five",
        "    six",
    ]
    assert list(columns([("帯鋸", "1", "x"), ("saw", "200", "")])) == ["帯鋸    1  x", "saw   200"]


def test_a_table_that_is_too_wide_names_its_cells_row_by_row(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [("GATE", "opens", "travel", ""), ("band saw", "1.2 s", "1.5", "OK"), ("sweep", "-", "2", "not looked at")]
    aligned = ["GATE      opens  travel", "band saw  1.2 s     1.5  OK", "sweep         -       2  not looked at"]
    assert list(columns(rows)) == aligned
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "40")
    assert list(columns(rows)) == aligned
    monkeypatch.setenv("COLUMNS", "30")
    assert list(columns(rows)) == [
        "GATE",
        "band saw",
        "  opens 1.2 s, travel 1.5, OK",
        "sweep",
        "  travel 2, not looked at",
    ]


class Terminal(io.StringIO):
    """Written to by a person's program."""

    def isatty(self) -> bool:
        return True


def test_a_terminal_gets_lines_of_its_width_and_a_file_gets_them_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns_there in (40, 60, 80, 120, 200):
        monkeypatch.setenv("COLUMNS", str(columns_there))
        screen, file = Terminal(), io.StringIO()
        show([LINE, "short"], screen)
        show([LINE, "short"], file)
        assert file.getvalue() == f"{LINE}\nshort\n"
        shown = screen.getvalue().splitlines()
        assert max(map(wide, shown)) <= columns_there
        assert " ".join(screen.getvalue().split()) == " ".join(file.getvalue().split())
        assert paragraph(80, screen) == min(100, columns_there)
        assert paragraph(80, file) == 80


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log with one long line."""
    line = {"ts": "2026-03-05T14:32:10.250Z", "mono": 1.0, "run": "a", "seq": 1, "event": "start_missed"}
    line |= {"rule": "start_threshold", "tool": "band_saw", "peak": 1.1, "lasted": 2.0, "start_amps": 2.5}
    (tmp_path / "events-2026-03-05.jsonl").write_text(json.dumps(line) + "\n")
    return tmp_path


@pytest.mark.parametrize("columns_there", [40, 80, 200])
def test_the_log_hangs_its_sentences_on_a_terminal_and_is_whole_in_a_pipe(
    log: Path, columns_there: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["log", "--all", "--log", str(log)]
    assert main(asked) == 0
    (whole,) = capsys.readouterr().out.splitlines()
    assert wide(whole) > 80
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns_there))
    assert main(asked) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(wide, lines)) <= columns_there
    assert " ".join(" ".join(lines).split()) == " ".join(whole.split())
    assert all(line.startswith(" " * (4 if columns_there < 75 else 25)) for line in lines[1:])


def test_a_command_that_ends_says_why_within_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "40")
    assert main(["status", "--config", "none.toml"]) == 1
    said = capsys.readouterr().err.splitlines()
    assert max(map(wide, said)) <= 40
    assert "--broker HOST[:PORT]" in " ".join(each.strip() for each in said)


@pytest.mark.parametrize("asked", [["check", "--explain"], ["check", "--explain", "first-cut"]])
def test_what_codes_mean_fits_a_narrow_terminal(
    asked: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    assert main(asked) == 0
    assert max(map(wide, capsys.readouterr().out.splitlines())) <= 60
