"""The drawing of `airflow --plot` shows what was worked out, no more and no less."""

import re
from collections.abc import Iterator
from itertools import pairwise

import pytest
from drawn_pictures import (
    BEGINS_AT_300,
    BIGGER,
    ENDS_AT_800,
    Picture,
    corners,
    drawn_shop,
    legend_of,
    look,
    looked_at,
    picture,
    place,
    station,
    tip,
    two_fans,
)
from msgspec.structs import replace
from shop_files import US, config_of, shop_text

from gatehand.air.air_plot import svg
from gatehand.air.plot_cases import Case, cases
from gatehand.air.plot_curves import taken
from gatehand.air.plot_tree import SLOW
from gatehand.svg import INK
from gatehand_air.ducting import Lack, Verdict
from gatehand_air.solve import Solution, Unsolved
from gatehand_air.spread import spread


def value_at(sheet: Picture, x: float) -> float:
    """The flow at a place in the chart, by the labels of its axis."""
    axis = sheet.line_of("flow, cfm").top
    labels = [w for w in sheet.words if re.fullmatch(r"[\d,]+", w.text) and axis - 20 < w.top < axis]
    first, last = labels[0], labels[-1]
    low, high = ((w.left + w.right) / 2 for w in (first, last))
    return float(last.text.replace(",", "")) * (x - low) / (high - low)


def test_the_chart_shows_the_set_that_the_tree_shows() -> None:
    for gates in (["band_saw", "planing"], ["sweep"], ["bench", "router", "sweep"]):
        (report,) = looked_at(config_of(shop_text()), gates)
        sheet = Picture(svg([report]))
        system, view = report.system, report.views[0]
        cfm = system.units.flow
        points = {tip(mark).partition(":")[0]: mark for mark in sheet.marks() if tip(mark)}
        for label, solver, answer in (
            ("clean filter", system.ducting.clean, view.assessment.clean),
            ("dirty filter", system.ducting.dirty, view.assessment.dirty),
        ):
            assert isinstance(answer, Solution)
            off = spread(solver, gates, answer).flows["main"]
            assert value_at(sheet, place(points[label])[0]) == pytest.approx(answer.flow / cfm, abs=2)
            said = f"{answer.flow / cfm:,.0f} ± {off / cfm:,.0f} cfm at {system.say.pressure(answer.pressure)}"
            assert tip(points[label]) == f"{label}: {said}"
            assert f"{label} {said}" in sheet.lines()
            bars = [m for m in sheet.marks() if "points" in m.attrib and len(corners(m)) == 2]
            (bar,) = [
                m
                for m in bars
                if abs(place(m)[0] - place(points[label])[0]) < 0.2
                and len({y for _, y in corners(m)}) == 1
                and abs(place(m)[1] - place(points[label])[1]) < 0.1
            ]
            ends = sorted(value_at(sheet, x) for x, _ in corners(bar))
            assert ends == pytest.approx([(answer.flow - off) / cfm, (answer.flow + off) / cfm], abs=2)
        opened = {
            w.removeprefix("gate ").removesuffix(", open") for w in sheet.lines() if re.fullmatch(r"gate \w+, open", w)
        }
        assert opened == set(gates)
        shut = {m[1] for line in sheet.lines() if (m := re.search(r"; gate (\w+) shut; no air", line))}
        assert shut == system.gates - opened


@pytest.mark.parametrize("text", [US, US.replace("clean = 0.8", "clean = 3.0").replace("dirty = 2.0", "dirty = 4.5")])
def test_the_curves_meet_in_the_working_point(text: str) -> None:
    (report,) = looked_at(config_of(shop_text(text)), ["band_saw", "planing"])
    sheet = Picture(svg([report]))
    for case in cases(report.system, report.views[0]):
        assert isinstance(case.answer, Solution)
        assert taken(case.solver, case.view, case.answer.flow) == pytest.approx(case.answer.pressure, rel=1e-6)
        x, y = next(place(mark) for mark in sheet.marks() if tip(mark).startswith(case.label))
        for words in ("fan main", f"what ducts and {case.label} lose"):
            (kind,) = legend_of(sheet)[words]
            (curve,) = [
                m
                for m in sheet.marks()
                if look(m) == look(kind) and m.get("stroke-width") == kind.get("stroke-width") and len(corners(m)) > 20
            ]
            assert height(corners(curve), x) == pytest.approx(y, abs=1)


def height(points: list[tuple[float, float]], x: float) -> float:
    """Of a line through points, at a place."""
    left, right = next((a, b) for a, b in pairwise(points) if a[0] <= x <= b[0])
    return left[1] + (right[1] - left[1]) * (x - left[0]) / (right[0] - left[0])


def test_every_gate_and_every_open_hood_has_its_mark() -> None:
    for gates in (["band_saw", "planing"], []):
        sheet = Picture(svg(looked_at(station(), gates)))
        told = [mark for marks in legend_of(sheet).values() for mark in marks]
        shapes = [m for m in sheet.marks() if m.tag.endswith("polygon") and m.get("stroke") == INK and m not in told]
        sizes = [(round(max(x for x, _ in corners(m)) - min(x for x, _ in corners(m))), m.get("fill")) for m in shapes]
        assert sizes.count((12, "#ffffff")) == 1  # the collector
        assert sizes.count((8, "#ffffff")) == len(gates)
        assert sizes.count((8, INK)) == 5 - len(gates)
        assert sizes.count((14, "#ffffff")) == (3 if gates else 0)  # hoods: two of them behind one gate


def test_a_duct_is_drawn_by_the_worst_of_its_figures() -> None:
    sheet = picture(US.replace('units = "us"', 'units = "us"\nmin_velocity = 4850\nmain_velocity = 4850'), "planing")
    verdicts = [line.rpartition(": ")[2] for line in sheet.after("row, 6 in", 3)[1:]]
    assert verdicts == ["too close to call", "too slow"]
    words = sheet.line_of("row, 6 in")
    beside = [m for m in sheet.marks() if m.tag.endswith("polyline") and abs(corners(m)[0][1] - words.top) < 3]
    assert [mark.get("stroke-dasharray") for mark in beside] == [SLOW.dash]


def test_of_several_sets_the_slowest_is_drawn_and_the_others_are_faint() -> None:
    (report,) = looked_at(config_of(shop_text()))
    sheet = Picture(svg([report]))
    lines = sheet.lines()
    assert "Open: bench" in lines
    assert f"The slowest of {len(report.views)} sets of gates; for another one give --open." in lines
    faint = [m for m in sheet.marks() if m.get("stroke-dasharray") == "3 3" and len(corners(m)) > 2]
    assert len(faint) == len({view.assessment.gates for view in report.views}) - 1
    assert not [
        line for line in Picture(svg([replace(report, views=report.views[:1])])).lines() if "other sets" in line
    ]


def test_the_slowest_set_is_found_among_sets_that_are_all_fast_enough() -> None:
    (report,) = looked_at(config_of(shop_text(US.replace('units = "us"', 'units = "us"\nmain_velocity = 700'))))
    fast = [view for view in report.views if view.assessment.gates <= {"band_saw", "planing"}]
    answers = [view.assessment.dirty for view in fast]
    speeds = [report.system.ducting.velocities(one)["main"] for one in answers if isinstance(one, Solution)]
    slowest = fast[speeds.index(min(speeds))].assessment.gates
    for views in (fast, fast[::-1]):
        lines = Picture(svg([replace(report, views=views)])).lines()
        assert f"Open: {' and '.join(slowest)}" in lines
        assert f"The slowest of {len(fast)} sets of gates; for another one give --open." in lines


def test_each_figure_has_its_spread_its_want_and_its_verdict() -> None:
    sheet = picture(US, "band_saw", "router")
    (report,) = looked_at(config_of(shop_text()), ["band_saw", "router"])
    ducting, say = report.system.ducting, report.system.say
    clean = report.views[0].assessment.clean
    assert isinstance(clean, Solution)
    off = spread(ducting.clean, ["band_saw", "router"], clean).flows
    flow = f"{say.flow(clean.flows['router_drop'], word=False)} ± {say.flow(off['router_drop'], word=False)}"
    assert sheet.after("hood router, 350 cfm wanted", 1) == [f"clean filter {flow}: too close to call"]
    speed, half = (say.velocity(flows["row"] / ducting.areas["row"], word=False) for flows in (clean.flows, off))
    at = sheet.lines().index("row, 6 in")
    assert sheet.lines()[at + 1 : at + 3] == [
        f"velocity, {say.velocity(ducting.wanted_for(['router_drop'])['row'])} wanted",
        f"clean filter {speed} ± {half}: sawdust settles",
    ]
    at = sheet.lines().index("hood band_saw, 550 cfm wanted")
    assert sheet.lines()[at + 1].endswith(": well")


def figures(case: Case) -> Iterator[tuple[Lack, str, Verdict | None]]:
    for duct in case.system.ducting.network.ducts:
        if (speed := case.speed(duct.name)) is not None:
            yield Lack.SLOW_DUCT, duct.name, speed.verdict
        if duct.entry is not None and (flow := case.flow(duct.name)) is not None:
            yield Lack.HOOD_FLOW, duct.name, flow.verdict


def test_the_verdicts_are_those_of_the_assessment() -> None:
    met = set()
    for count, seed in ((3, 5), (5, 2), (5, 9), (8, 3), (8, 11), (12, 4)):
        (report,) = looked_at(drawn_shop(count, seed))
        for view in report.views:
            for case in cases(report.system, view):
                shorts = report.system.ducting.shorts(
                    case.solver, view.assessment.gates, case.answer, view.assessment.dusty
                )
                theirs = {(short.lack, short.where): short.verdict for short in shorts}
                ours = {(lack, where): verdict for lack, where, verdict in figures(case)}
                met |= set(ours.values())
                unknown = Verdict.UNKNOWN in ours.values()
                assert unknown == any(short.lack is Lack.NO_ANSWER for short in shorts)
                if not isinstance(case.answer, Unsolved):
                    lacking = {what: v for what, v in ours.items() if v not in {None, Verdict.MET}}
                    assert lacking == theirs
    assert met == {None, *Verdict}


def test_beyond_the_curve_there_are_lower_bounds_and_the_unknown_is_said() -> None:
    sheet = picture(ENDS_AT_800, "band_saw", "planing")
    lines = sheet.lines()
    assert "the curve of fan main ends here, at 800 cfm" in lines
    assert "either filter at least 800 cfm" in lines
    assert "the fan moves more air than this, dirty filter" in lines
    assert "more than 800 cfm, where its curve ends" in " ".join(lines)
    assert sheet.after("main, 6 in", 2) == ["velocity, 3,500 ft/min wanted", "either filter at least 4,070: well"]
    (report,) = looked_at(config_of(shop_text(ENDS_AT_800)), ["band_saw", "planing"])
    clean = report.views[0].assessment.clean
    assert isinstance(clean, Unsolved)
    assert clean.bound is not None
    least = report.system.say.flow(clean.bound.flows["band_saw_drop"], word=False)
    (said,) = sheet.after("hood band_saw, 550 cfm wanted", 1)
    assert said == f"either filter at least {least}: unknown, beyond the curve"
    assert not [line for line in lines if "at least" in line and "±" in line]
    (end,) = {corners(m)[0][0] for m in sheet.marks() if m.get("stroke-dasharray") == "1.5 2.5" and place(m)[0] > 60}
    assert value_at(sheet, end) == pytest.approx(800, abs=2)


def test_before_the_curve_there_are_upper_bounds() -> None:
    sheet = picture(BEGINS_AT_300, "bench")
    lines = sheet.lines()
    assert "the curve of fan main begins here, at 300 cfm" in lines
    assert "the fan moves less air than this, clean filter" in lines
    assert "less than 300 cfm, where its curve begins" in " ".join(lines)
    assert sheet.after("main, 6 in", 2)[1] == "either filter at most 1,530: sawdust settles"
    assert sheet.after("hood bench, 150 cfm wanted", 1) == ["either filter at most 300: unknown, before the curve"]


def test_hoods_behind_one_gate_have_a_name_and_a_verdict_each() -> None:
    sheet = Picture(svg(looked_at(station(), ["planing"])))
    lines = sheet.lines()
    assert lines.count("gate planing, open") == 1
    assert lines[lines.index("gate planing, open") - 1] == "station, 5 in"
    verdicts = {
        name: sheet.after(f"hood {name} wanted", 1)[0].rpartition(": ")[2]
        for name in ("jointer, 483 cfm", "drum_sander, 350 cfm")
    }
    assert verdicts == {"jointer, 483 cfm": "well", "drum_sander, 350 cfm": "short"}


def test_a_hood_where_no_dust_comes_has_clean_air() -> None:
    (report,) = looked_at(station())
    jointer = [view for view in report.views if [d.name for (d,) in view.asked.demands] == ["jointer"]]
    sheet = Picture(svg([replace(report, views=jointer)]))
    at = sheet.lines().index("hood drum_sander, cfm (clean air only)")
    assert re.fullmatch(r"clean filter \d+ ± \d+", sheet.lines()[at + 1])
    assert "clean air only" in legend_of(sheet)


def test_two_fans_are_drawn_side_by_side_for_the_same_set() -> None:
    sheet = Picture(two_fans())
    legend = legend_of(sheet)
    assert [mark.get("stroke-dasharray") for name in ("fan main", "fan bigger") for mark in legend[name]] == [
        None,
        "11 5",
    ]
    points = [tip(mark).partition(":")[0] for mark in sheet.marks() if tip(mark)]
    assert points == [f"fan {fan}, {kind} filter" for fan in ("main", "bigger") for kind in ("clean", "dirty")]
    assert all(f"working point, {point}" in legend for point in points)
    assert "what ducts and dirty filter lose, fan bigger" in legend  # its filter differs
    assert "what ducts and clean filter lose, fan bigger" not in legend
    shown = [line for line in sheet.lines() if re.match(r"fan bigger, clean filter \d", line)]
    (bigger,) = looked_at(config_of(shop_text(BIGGER)), ["band_saw", "router"])
    clean = bigger.views[0].assessment.clean
    assert isinstance(clean, Solution)
    say, area = bigger.system.say, bigger.system.ducting.areas["main"]
    assert shown[1].startswith(f"fan bigger, clean filter {say.velocity(clean.flow / area, word=False)} ± ")


def test_a_shut_gate_that_leaks_says_how_much() -> None:
    leaky = US.replace('gate = "sweep"', 'gate = "sweep"\nleak = { flow = 5, at = 8 }')
    sheet = picture(leaky, "band_saw")
    (line,) = [line for line in sheet.lines() if "sweep_drop" in line]
    assert re.fullmatch(r"sweep_drop, 4 in; gate sweep shut; leaks \d+ (± \d+ )?cfm", line)
    assert "shut, but it leaks" in legend_of(sheet)


def test_with_every_gate_shut_nothing_is_claimed() -> None:
    sheet = picture(US)
    assert "Every gate is shut" in sheet.lines()
    assert "No gate is open: no air moves." in sheet.lines()
    assert not [line for line in sheet.lines() if "working point" in line or "±" in line]


def test_a_wider_duct_has_a_wider_line_and_a_shut_one_the_thinnest() -> None:
    sheet = picture(US, "bench", "router", "planing")

    def line(name: str) -> float:
        top = sheet.line_of(name).top
        pipes = [m for m in sheet.marks() if m.tag.endswith("polyline") and abs(corners(m)[0][1] - top) < 10]
        return max(float(mark.get("stroke-width", "0")) for mark in pipes if len({x for x, _ in corners(mark)}) == 1)

    wide = [line(name) for name in ("row, 6 in", "planing_drop, 5 in", "router_drop, 4 in", "bench_port, 2.5 in")]
    assert wide == sorted(set(wide), reverse=True)
    assert line("sweep_drop, 4 in; gate sweep shut; no air") < wide[-1]
