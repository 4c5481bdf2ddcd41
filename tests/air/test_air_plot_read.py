"""The drawing of `airflow --plot` can be read: on a phone, in black and white, by a program, aloud."""

import random
from xml.etree import ElementTree as ET

import pytest
from drawn_pictures import PHONE, all_kinds, corners, legend_of, look, looked_at, place, shops, station
from msgspec.structs import replace

from gatehand.air.air_plot import svg
from gatehand.air.plot_curves import LOOKS, ticks
from gatehand.air.plot_tree import CLEAN_AIR, SHUT, WORST_FIRST
from gatehand.svg import INK, text_width, wrapped


def test_no_words_overlap_and_all_lie_on_the_sheet_and_can_be_read_on_a_phone() -> None:
    for sheet in (*shops(), *all_kinds()):
        assert min(words.size for words in sheet.words) * PHONE / sheet.width >= 9
        above = sorted(sheet.words, key=lambda words: words.top)
        for at, one in enumerate(above):
            assert one.left >= 0
            assert one.right <= sheet.width
            assert one.top >= 0
            assert one.bottom <= sheet.height
            for other in above[at + 1 :]:
                if other.top >= one.bottom:
                    break
                assert other.left >= one.right or other.right <= one.left, (one.text, other.text)


def test_no_mark_lies_on_words() -> None:
    """Of legends and tree; in the chart there are no words."""
    for sheet in (*shops(), *all_kinds()):
        chart = sheet.line_of(next(text for text in sheet.lines() if text.startswith("static pressure, "))).bottom
        below = sheet.line_of(next(text for text in sheet.lines() if text.startswith("flow, "))).bottom
        assert not [words for words in sheet.words if chart < words.top < below - 30 and words.right > 60]
        marks = [box(mark) for mark in sheet.marks() if place(mark)[1] > below]
        for words in (words for words in sheet.words if words.top > below):
            for left, top, right, bottom in marks:
                beside = right <= words.left or left >= words.right
                assert beside or bottom <= words.top or top >= words.bottom, words.text


def box(mark: ET.Element) -> tuple[float, float, float, float]:
    """Of a mark with its line's width, px."""
    wide = float(mark.get("stroke-width", "0")) / 2
    points = (
        corners(mark) if "points" in mark.attrib else [(x + d, y + d) for x, y in [place(mark)] for d in (-4.5, 4.5)]
    )
    xs, ys = zip(*points, strict=True)
    return min(xs) - wide, min(ys) - wide, max(xs) + wide, max(ys) + wide


def test_no_mark_lies_beyond_the_sheet() -> None:
    for sheet in (*shops(), *all_kinds()):
        for mark in sheet.marks():
            points = corners(mark) if "points" in mark.attrib else [place(mark)]
            assert all(0 <= x <= sheet.width and 0 <= y <= sheet.height for x, y in points)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, WCAG 2.2 [pub]."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(colour: str) -> float:
    """Against white, WCAG 2.2 [pub]."""
    return 1.05 / (luminance(colour) + 0.05)


def test_words_and_marks_stand_out_from_the_paper() -> None:
    """4.5 for text, 3 for what a picture needs to be understood: WCAG 2.2, 1.4.3 and 1.4.11 [pub]."""
    assert contrast("#000000") == pytest.approx(21)
    assert contrast("#767676") == pytest.approx(4.54, abs=0.01)
    for sheet in all_kinds():
        assert min(contrast(words.fill) for words in sheet.words) >= 4.5
        legend = [mark for _, marks in legend_of(sheet).items() for mark in marks]
        inks = {mark.get("stroke", "none") for mark in legend} - {"none"}
        assert inks
        assert min(map(contrast, inks)) >= 3


def without_colour(mark: ET.Element) -> tuple[object, ...]:
    """What is left of a mark on a black and white print."""
    kind = mark.tag.rpartition("}")[2]
    look: tuple[object, ...] = (
        kind,
        mark.get("stroke-width"),
        mark.get("stroke-dasharray"),
        mark.get("fill") == "#ffffff",
    )
    if kind in {"circle", "rect"}:
        return look
    x, y = place(mark)
    return (*look, tuple((round(a - x), round(b - y)) for a, b in corners(mark)))


def test_every_line_of_a_legend_differs_in_black_and_white() -> None:
    for sheet in all_kinds():
        legend = legend_of(sheet)
        assert len(legend) >= 5
        looks = [tuple(map(without_colour, marks)) for marks in legend.values()]
        assert len(set(looks)) == len(looks), legend.keys()


def test_kinds_of_ducts_and_of_curves_differ_in_black_and_white() -> None:
    for kinds in (
        [(kind.dash, kind.width) for kind in (*WORST_FIRST, CLEAN_AIR, *SHUT)],
        [one.dash for one in LOOKS.values()],
    ):
        assert len(set(kinds)) == len(kinds)


def test_every_mark_is_in_the_legend_and_no_other() -> None:
    seen: set[str] = set()
    for sheet in all_kinds():
        legend = legend_of(sheet)
        seen |= legend.keys()
        told = [mark for marks in legend.values() for mark in marks]
        ducts = sheet.line_of("Ducts").bottom
        for lower in (False, True):  # the chart, the tree
            here = [m for m in sheet.marks() if (place(m)[1] > ducts) == lower]
            grid = {"#e9e9e9"}
            drawn = {look(m) for m in here if m not in told and m.get("stroke") not in grid}
            named = {look(m) for m in here if m in told}
            axes = {("polyline", INK, None, "full")}
            assert drawn - axes == named - axes
    assert len(seen) >= 28


def test_names_of_any_kind_are_escaped_and_a_screen_reader_has_the_story() -> None:
    (report,) = looked_at(station(), ["planing"])
    odd = {"jointer_port": 'a <b> & "c" \x07', "sander_port": "x" * 300}
    named = replace(report, system=replace(report.system, labels={**report.system.labels, **odd}))
    root = ET.fromstring(svg([named]))  # noqa: S314 - we wrote it
    assert root.get("role") == "img"
    title, told = root[0], root[1]
    assert title.text == "Fan and ducts of collector main"
    assert told.tag.endswith("desc")
    assert 'hood a <b> & "c" \\x07, 483 cfm wanted' in (told.text or "")
    for said in ("Open: planing", "station, 5 in", "gate planing, open", "clean filter "):
        assert said in (told.text or "")


def test_wrapped_lines_hold_every_word_and_fit() -> None:
    dice = random.Random(4)
    for _ in range(200):
        words = " ".join(
            "".join(dice.choices("abcWi_", k=dice.choice((1, 3, 8, 60)))) for _ in range(dice.randint(0, 9))
        )
        width = dice.uniform(60, 380)
        lines = wrapped(words, width, 11, bold=dice.random() < 0.5)
        assert "".join(lines).replace(" ", "") == words.replace(" ", "")
        assert all(text_width(line, 11) <= width for line in lines)


@pytest.mark.parametrize(
    ("words", "bold", "wide"),
    [  # advance widths of DejaVu Sans 2.37, summed up, in thousandths of the size [pub: the font's own table]
        ("clean filter 5,450 ± 180: too close to call", False, 20419),
        ("velocity, 3,500 ft/min wanted", False, 14716),
        ("static pressure, in.w.g.", False, 11380),
        ("JIG SAW, BENCH & SWEEP", False, 13048),
        ("band_saw_drop, 4 in", True, 11451),
        ("Collector main", True, 8155),
        ("WWW mmm @@@ %%%", True, 13485),
    ],
)
def test_text_is_never_wider_than_taken_for(words: str, bold: bool, wide: float) -> None:
    assert wide <= text_width(words, 1000, bold=bold) <= 1.1 * wide


@pytest.mark.parametrize("end", [0.07, 0.3, 1.0, 1.49, 2.99, 5.99, 6.0, 9.99, 12.4, 1456, 2750, 99999])
def test_an_axis_has_four_to_seven_round_values(end: float) -> None:
    values = ticks(end)
    assert 4 <= len(values) <= 7
    assert values[0] == 0
    assert values[-1] <= end * (1 + 1e-9)
    assert end - values[-1] < values[1] * (1 + 1e-9)
