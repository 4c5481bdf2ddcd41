"""What tune finds in readings of known make, and when it says that it is too short to tell."""

import re
from array import array

import pytest
from msgspec.structs import replace
from tune_support import CARVING, SANDER, SAW, cuts, on_change, track

from gatehand.past.recordings import Piece
from gatehand.past.stretches import Track
from gatehand.tune.levels import Levels, gathered, levels
from gatehand.tune.proposed_settings import Spell, advised, choices, joined, rounded, spells, thresholds
from gatehand.tune.study import as_json, proposed, study, text
from gatehand_rules.shop import Tool
from gatehand_rules.words import Measure


def found_levels(*parts: tuple[float, float], noise: float = 0.03) -> Levels:
    found = levels(gathered([track(parts, noise=noise)]))
    assert isinstance(found, Levels), found
    return found


def test_rest_and_work_are_found_with_their_spread() -> None:
    found = found_levels(*cuts(10, idle=0.3, load=8.0))
    assert found.idle.middle == pytest.approx(0.3, abs=0.02)
    assert found.running.middle == pytest.approx(8.0, abs=0.02)
    assert 0.3 < found.idle.high < 0.45
    assert 7.8 < found.running.low < 8.0


def test_a_tool_that_runs_for_a_hundredth_of_the_time_is_still_parted_from_rest() -> None:
    found = found_levels((6000, 0.2), (30, 4.0), (3000, 0.2), (30, 4.0), (600, 0.2))
    assert found.idle.high < found.split < found.running.low
    assert found.running.low > 3.5


def test_turning_without_load_counts_as_work_not_as_rest() -> None:
    """Three levels: rest 0.1 A, turning 3 A, cutting 15 A most of the time."""
    found = found_levels((600, 0.1), (60, 3.0), (400, 15.0), (600, 0.1), (60, 3.0), (400, 15.0), (60, 0.1), noise=0.05)
    assert found.idle.high < 0.4
    assert 2.5 < found.running.low < 3.0


def test_a_braking_drive_counts_as_rest() -> None:
    found = found_levels((100, 0.1), (50, 9.0), (2, -6.0), (100, 0.1), (50, 9.0), (100, 0.1))
    assert found.idle.low == 0.0
    assert found.idle.high < 0.4


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ([(20, 0.1), (20, 8.0)], "39 s were recorded"),
        ([(600, 0.1)], "no two levels"),
        ([(600, 8.0)], "no two levels"),
        ([(10, 0.1), (600, 8.0)], "9 s of rest|10 s of rest"),
        ([(600, 0.1), (6, 8.0), (60, 0.1)], "6 s of work"),
    ],
)
def test_it_says_when_it_is_too_short_to_tell_and_why(parts: list[tuple[float, float]], says: str) -> None:
    found = levels(gathered([track(parts, noise=0.03)]))
    assert isinstance(found, str)
    assert any(one in found for one in says.split("|")), found


def test_no_reading_is_too_short_to_tell() -> None:
    assert study(SAW, []).too_short == "there is no reading of it"


def test_two_cuts_are_too_few() -> None:
    told = study(SAW, [Piece(track(cuts(2), noise=0.03))])
    assert told.too_short == "2 whole cuts were recorded, 3 are wanted"
    assert list(text(told))[-1] == "  too short to tell: 2 whole cuts were recorded, 3 are wanted."


def test_thresholds_lie_between_rest_and_work_with_a_margin_to_both() -> None:
    readings = track(cuts(10, idle=0.3, load=8.0), noise=0.05)
    found = levels(gathered([readings]))
    assert isinstance(found, Levels)
    told = thresholds(found, [readings])
    assert found.idle.high < told.stop_at < told.start_at < found.running.low
    assert told.above_rest == pytest.approx(told.start_at / found.idle.high)
    assert told.below_work == pytest.approx(found.running.low / told.start_at)
    assert told.above_rest > 2
    assert told.below_work > 1.3


def test_dips_within_a_cut_ask_for_a_stop_after_that_lets_a_pause_of_a_second_count() -> None:
    parts = [(60, 0.1), *[part for _ in range(8) for part in ((20, 9.0), (0.4, 0.1), (20, 9.0), (30, 0.1))]]
    readings = track(parts, every_ms=100, noise=0.03)
    found = levels(gathered([readings]))
    assert isinstance(found, Levels)
    assert thresholds(found, [readings]).stop_after == 0.8


def test_lone_blips_ask_for_a_start_after_and_a_single_one_does_not() -> None:
    blip, cut = [(0.3, 9.0), (30, 0.1)], [(20, 9.0), (30, 0.1)]
    for blips, expected in ((4, 0.35), (1, 0.0)):
        readings = track([(60, 0.1), *(cut * 8), *(blip * blips)], every_ms=100, noise=0.03)
        found = levels(gathered([readings]))
        assert isinstance(found, Levels)
        assert thresholds(found, [readings]).start_after == expected


def test_spells_are_whole_cuts_between_the_thresholds() -> None:
    """Drawing at the start or the end is not counted; between the thresholds nothing changes."""
    readings = track([(5, 9.0), (5, 0.1), (10, 9.0), (3, 2.0), (10, 9.0), (7, 0.1), (4, 9.0)])
    assert list(spells(readings, 2.5, 1.8)) == [Spell(10_000, 33_000)]


def test_pauses_shorter_than_stop_after_belong_to_the_cut() -> None:
    assert joined([Spell(0, 1000), Spell(1500, 3000), Spell(5000, 6000)], 800) == [Spell(0, 3000), Spell(5000, 6000)]


def test_run_on_costs_and_saves_what_is_counted_by_hand() -> None:
    """[calc] 60 s cuts, pauses of 5, 20 and 100 s: 20 s bridge two, leave 2 restarts, 4 x 60 + 5 + 20 + 2 x 20 s on."""
    cut = [Spell(0, 60_000), Spell(65_000, 125_000), Spell(145_000, 205_000), Spell(305_000, 365_000)]
    row = next(row for row in choices([cut]) if row.seconds == 20)
    assert row.restarts == 2
    assert row.bridged == pytest.approx(2 / 3)
    assert row.minutes == pytest.approx(305 / 60)


def test_a_run_on_in_force_has_its_row_too() -> None:
    assert 37.0 in [row.seconds for row in choices([[Spell(0, 1000)]], also=37.0)]


def test_advice_stops_where_a_restart_saved_costs_more_than_a_minute() -> None:
    """[calc] 20 pauses of 8 s are worth bridging; one of 170 s after them is not."""
    cut, at = [], 0
    for pause in (*[8_000] * 20, 170_000, 0):
        cut.append(Spell(at, at + 30_000))
        at += 30_000 + pause
    assert advised(choices([cut])).seconds == 10


@pytest.mark.parametrize(
    ("count", "rest", "early"),
    [
        (3, 60, "  from 3 cuts in 5.48 min only: let it record a day of work and look again"),
        (9, 600, "  from 9 cuts in 1.74 h only: let it record a day of work and look again"),
        (30, 60, "  from 30 cuts in 46 min only: let it record a day of work and look again"),
        (10, 600, ""),
    ],
)
def test_what_is_told_from_little_is_told_as_early(count: int, rest: float, early: str) -> None:
    told = study(SAW, [Piece(track(cuts(count, rest=rest), noise=0.03))])
    assert [line for line in text(told) if "only:" in line] == ([early] if early else [])
    assert as_json(told)["little_seen"] is bool(early)


def test_a_level_of_one_value_is_told_as_one() -> None:
    lines = list(text(study(CARVING, [Piece(track([(60, 2.0), *[(30, 620.0), (45, 2.0)] * 3]))])))
    assert "  rest        2 W  (always 2 W, 3.23 min)" in lines
    assert "  work      620 W  (always 620 W, 90 min), peaks to 620 W".replace("90 min", "1.5 min") in lines
    (border,) = (line for line in lines if "counts as rest" in line)
    assert border == "  up to 3 W counts as rest, more as work (there the two lie furthest apart)"


def test_few_pauses_are_listed_and_many_are_summed_up() -> None:
    lines = list(text(study(SAW, [Piece(track([(60, 0.1), (20, 8.0), (30, 0.1), (20, 8.0), (45, 0.1), *cuts(1)]))])))
    assert "  3 cuts, 2 pauses between them (up to half an hour): 30 s and 1.75 min" in lines
    lines = list(text(study(SAW, [Piece(track(cuts(12)))])))
    at = lines.index("  12 cuts, 11 pauses between them (up to half an hour): half are no longer than")
    assert lines[at + 1] == "    60 s, nine in ten than 60 s"


def test_few_pauses_leave_the_run_on_alone() -> None:
    told = study(SAW, [Piece(track(cuts(4), noise=0.03))])
    assert told.found is not None
    assert told.found.advised is None
    assert "  run_on stays: 3 pauses are too few to choose by." in text(told)
    assert "run_on" not in as_json(told)["proposed"]


def test_figures_a_day_are_divided_by_the_days_on_which_it_cut() -> None:
    """Three days of four hours each, with a clock."""
    piece = cuts(60, rest=180, cut=60)
    pieces = [Piece(track(piece, noise=0.03), wall_ms=1_772_700_000_000 + day * 86_400_000) for day in range(3)]
    told = study(SAW, pieces)
    assert told.found is not None
    assert told.found.days == 3
    assert told.days_to_average == 3
    lines = "\n".join(text(told))
    assert "a day: mean of the 3 days on which it cut" in lines
    row = next(row for row in told.found.run_on if row.seconds == 0)
    assert row.restarts == 180
    assert f"{0:>8g}  {row.minutes / 3:>10.1f}  {60:>8.1f}" in lines


def test_proposals_are_numbers_that_a_person_would_write() -> None:
    assert [rounded(amps) for amps in (0.012, 0.777, 2.512, 9.97, 10.3, 23.77)] == [0.05, 0.8, 2.5, 9.95, 10.5, 24.0]
    watts = (0.2, 33.4, 99.4, 102.0, 997.0, 1010.0, 2330.0)
    assert [rounded(one, Measure.WATTS) for one in watts] == [1.0, 33.0, 99.0, 100.0, 995.0, 1000.0, 2350.0]


def test_watts_are_weighed_as_the_currents_of_the_same_cuts() -> None:
    """A hundred times the reading: the same levels, the thresholds of the same place, the same cuts and run-on."""
    parts = cuts(12, rest=40, cut=30, idle=0.3, load=8.0)
    by_amps = study(SAW, [Piece(track(parts, noise=0.03))])
    by_watts = study(CARVING, [Piece(track([(s, 100 * a) for s, a in parts], noise=3.0))])
    one, other = by_amps.found, by_watts.found
    assert one is not None
    assert other is not None
    assert one.levels is not None
    assert other.levels is not None
    assert other.levels.split == pytest.approx(100 * one.levels.split, rel=0.001)
    assert other.levels.parted == pytest.approx(one.levels.parted, abs=1e-6)
    settings, watts = proposed(by_amps), proposed(by_watts)
    assert list(watts) == ["start_watts", "stop_watts", "start_after", "stop_after", "run_on"]
    assert watts["start_watts"] == pytest.approx(100 * settings["start_amps"], abs=2.6)
    assert watts["stop_watts"] == pytest.approx(100 * settings["stop_amps"], abs=2.6)
    assert (other.cuts, other.run_on) == (one.cuts, one.run_on)


def test_watts_are_told_with_their_unit_and_their_keys() -> None:
    told = study(CARVING, [Piece(track([(60, 4.0), *[(30, 620.0), (45, 4.0)] * 12], noise=1.0))])
    lines = "\n".join(text(told))
    assert "  rest        4 W  (1 to 7 W for 99 % of " in lines
    assert "  work      620 W  (617 to 623 W for 99 % of 6 min), peaks to 62" in lines
    assert " A " not in lines
    assert "start_watts" in lines
    assert re.search(r"\n  start_watts +\d+ W +250 W\n  stop_watts +\d+ W +175 W\n", lines), "beside what is in force"
    facts = as_json(told)
    assert facts["measure"] == "watts"
    assert facts["rest"]["high"] < facts["proposed"]["stop_watts"] < facts["proposed"]["start_watts"]
    assert facts["proposed"]["start_watts"] < facts["work"]["low"]
    assert facts["rest"]["high"] < facts["split_watts"] < facts["work"]["low"]
    assert not [key for key in (*facts, *facts["proposed"]) if "amps" in key]


@pytest.mark.parametrize(("step", "told"), [(19.0, False), (21.0, True)])
def test_watts_must_rise_by_as_much_as_a_fifth_of_an_ampere_weighs(step: float, told: bool) -> None:
    """[calc] 0.2 A x 100 W: a meter's own use of some watts is no work."""
    found = levels(gathered([track([(100, 2.0), (60, 2.0 + step), (100, 2.0)])], measure=Measure.WATTS))
    assert isinstance(found, Levels) is told
    assert told or "readings lie from 2 W to 21 W" in str(found)


def test_a_contact_has_no_thresholds_and_is_told_so() -> None:
    told = study(SANDER, [Piece(on_change([(600, 0.0), *[(30, 1.0), (45, 0.0)] * 12]))])
    assert told.found is not None
    assert told.found.cuts == 12
    assert proposed(told) == {"start_after": 0.0, "run_on": 45.0}
    lines = list(text(told))
    assert lines[1:5] == [
        "  The contact speaks only on change (seen 25 times).",
        "  from 12 cuts in 24.2 min only: let it record a day of work and look again",
        "  a contact: 18.2 min stopped, 6 min running",
        "  it has no thresholds: start_after and run_on are all that can be set",
    ]
    assert lines[5:11] == [
        "",
        "                proposed       now",
        "  start_after        0 s     0.5 s",
        "  run_on            45 s      10 s",
        "",
        "  run_on = 45 bridges 100 % of the pauses; up to there each restart saved costs",
    ]
    assert not any("start_running" in line or "counts as rest" in line or "stop_after" in line for line in lines)
    facts = as_json(told)
    assert facts["measure"] == "running"
    assert not {"rest", "work", "margins", "parted"} & facts.keys()
    assert facts["pauses_s"] == [45.0] * 11


def test_a_contact_that_bounces_asks_for_a_start_after() -> None:
    """[calc] Closed for 0.3 s alone, four times in twelve: 0.35 s let them pass."""
    bounces = [(0.3, 1.0), (30, 0.0)] * 4
    told = study(SANDER, [Piece(on_change([(60, 0.0), *[(20, 1.0), (30, 0.0)] * 8, *bounces]))])
    assert proposed(told)["start_after"] == 0.35


def test_a_contact_is_too_short_to_tell_with_too_few_cuts_alone() -> None:
    assert study(SANDER, [Piece(on_change([(1, 0.0), (2, 1.0), (1, 0.0)]))]).too_short == (
        "1 whole cut was recorded, 3 are wanted"
    )


# --- the meter's rhythm


def told(every_s: float, *, rest: float, cut: float, silent_after: float = 30.0) -> str:
    """What is said of a meter that speaks so often."""
    tool = replace(SAW, silent_after=silent_after)
    readings = track(cuts(20, rest=rest, cut=cut), every_ms=round(every_s * 1000))
    return " ".join(" ".join(text(study(tool, [Piece(readings)]))).split())


def test_the_meters_rhythm_is_told_with_what_it_rests_on_and_costs() -> None:
    said = told(1, rest=60, cut=30)
    assert "The meter speaks every 1 s (seen 1,860 times): shorter cuts are missed, starts come up to 1 s late." in said
    assert "silent_after" not in said
    assert "were not seen at all" not in said


def test_a_tool_whose_cuts_or_pauses_are_as_short_as_its_meters_rhythm_is_told() -> None:
    assert "20 of 20 cuts and 19 of 19 pauses recorded took no longer than its meter's rhythm of 10 s" in told(
        10, rest=10, cut=10
    )
    assert "19 of 19 pauses recorded took no longer than its meter's rhythm of 10 s" in told(10, rest=10, cut=40)


def test_a_silent_after_that_does_not_bear_one_lost_message_is_told() -> None:
    assert "silent_after is 15 s, too short for a meter that speaks every 10 s" in told(
        10, rest=60, cut=30, silent_after=15
    )


def four_words_a_cut(every_s: float) -> Track:
    """The same where only what changed was said: start, inrush over, the load a little higher, stop."""
    found = Track()
    for number in range(30):
        begun = round(number * every_s * 1000)
        for ms, ma in ((0, 30_000), (400, 8000), (20_000, 8100), (41_000, 100)):
            found.ms.append(begun + ms)
            found.ma.append(ma)
            found.order.append(len(found.order))
    return found


def test_a_meter_on_change_is_told_that_silence_is_no_sign_of_it_with_the_price() -> None:
    readings = four_words_a_cut(600)
    said = " ".join(" ".join(text(study(SAW, [Piece(readings)]))).split())
    assert "The meter speaks only on change (seen 120 times)." in said
    assert "set silent_after = 0 (the price: a sensor that has died is not noticed)" in said
    quiet = as_json(study(replace(SAW, silent_after=0.0), [Piece(readings)]))
    assert quiet["about_meter"] == ["the meter speaks only on change (seen 120 times)"]
    assert quiet["rhythm"]["count"] == 120


def test_nights_between_pieces_are_no_rhythm() -> None:
    pieces = [Piece(track(cuts(2), every_ms=5000)) for _ in range(30)]
    for number, piece in enumerate(pieces):
        piece.track.ms = array("q", (ms + number * (240_000 + 7_000) for ms in piece.track.ms))
    assert as_json(study(SAW, pieces))["rhythm"]["longest"] == 5.0


# --- the words in which it is told


def in_words(rest: float, *loads: float, noise: float = 0.0, tool: Tool = SAW) -> list[str]:
    """What is told of twelve cuts through these loads."""
    parts = [(60.0, rest), *[part for _ in range(12) for part in (*((20.0, load) for load in loads), (40.0, rest))]]
    return list(text(study(tool, [Piece(track(parts, noise=noise))])))


def test_work_from_a_little_to_much_is_parted_from_rest_at_the_gap_between_them() -> None:
    """Otsu's border lies within such work, just above its lowest reading; what lies far from rest is the gap."""
    loads = [(2.0, 1.21 * 1.1**step) for step in range(24)]
    found = levels(gathered([track([(60, 0.03), *loads, (60, 0.03)])]))
    assert isinstance(found, Levels), found
    assert (found.idle.high, found.running.low, found.split) == (0.03, 1.21, 0.62)
    assert found.parted == pytest.approx(0.8662, abs=0.0001), "equation 20 by hand, without a histogram"


def test_readings_that_jump_are_never_told_to_have_no_gap() -> None:
    """[calc] 3 s of work are too few, but there are two levels: 0.03 and 1.21 A."""
    found = levels(gathered([track([(100, 0.03), (3, 1.21), (100, 0.03)])]))
    assert found == "3 s of work were recorded, 10 are wanted"
    found = levels(gathered([track([(100, 0.0), (30, 0.14), (100, 0.0)])]))
    assert found == (
        "it shows no two levels: its readings lie from 0.00 A to 0.14 A, and work would have to begin at twice what "
        "rest ends at and 0.20 A above it. Let it stand for a while and then cut"
    )


@pytest.mark.parametrize(
    ("rest", "work", "says"),
    [
        pytest.param(
            0.03,
            1.21,
            "start_amps = 0.65 is 22 times the highest rest (0.03 A) and 54 % of the lowest work (1.21 A); "
            "stop_amps = 0.3 is 10 times the highest rest.",
        ),
        (0.0, 4.0, "At rest it shows 0.00 A; start_amps = 1.65 is 41 % of the lowest work (4.00 A)."),
        (0.004, 4.0, "At rest it shows 0.00 A; start_amps = 1.65 is 41 % of the lowest work (4.00 A)."),
        pytest.param(
            0.01,
            9.0,
            "start_amps = 3 is over 100 times the highest rest (0.01 A) and a third of the lowest work (9.00 A); "
            "stop_amps = 1 is 100 times the highest rest.",
        ),
        pytest.param(
            1.0,
            3.0,
            "start_amps = 2.05 is 2 times the highest rest (1.00 A) and two thirds of the lowest work (3.00 A); "
            "stop_amps = 1.45 is 1.4 times the highest rest.",
        ),
    ],
)
def test_margins_are_told_as_multiples_of_rest_and_shares_of_work(rest: float, work: float, says: str) -> None:
    assert says in " ".join(" ".join(in_words(rest, work)).split())


@pytest.mark.parametrize(
    "tool", [SAW, CARVING, SANDER, replace(SAW, name="a_name_as_long_as_they_may_be", run_on=37.5)]
)
@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 12])
def test_every_line_fits_eighty_columns(tool: Tool, count: int) -> None:
    scale = {Measure.AMPS: 1.0, Measure.WATTS: 100.0, Measure.RUNNING: 0.1}[tool.measure]
    parts = [(s, a * scale if tool.measure is not Measure.RUNNING else float(a > 1)) for s, a in cuts(count, rest=400)]
    readings = on_change(parts) if tool.measure is Measure.RUNNING else track(parts, noise=0.01 * scale)
    lines = list(text(study(tool, [Piece(readings, wall_ms=1_772_700_000_000)])))
    assert [line for line in lines if len(line) > 80] == []
    assert not any(re.search(r"\b1 (cuts|pauses|days|readings)\b", line) for line in lines), lines


@pytest.mark.parametrize(("count", "says"), [(3, "2 pauses are too few"), (4, "3 pauses are too few")])
def test_too_few_pauses_are_counted(count: int, says: str) -> None:
    assert f"  run_on stays: {says} to choose by." in text(study(SAW, [Piece(track(cuts(count), noise=0.03))]))


def test_one_day_is_told_as_one() -> None:
    told = study(SAW, [Piece(track(cuts(60, rest=430, cut=60), noise=0.03), wall_ms=1_772_700_000_000)])
    assert told.days_to_average == 1
    assert "  a day: from the one day on which it cut. Counted as if this tool alone had the" in text(told)


@pytest.mark.parametrize(
    ("rest", "work", "says"),
    [
        (60, 10, None),
        (59, 11, "59 s of rest were recorded, 60 are wanted"),
        (61, 9, "9 s of work were recorded, 10 are wanted"),
        (59, 10, "69 s were recorded, 70 are wanted at the least"),
    ],
)
def test_a_minute_of_rest_and_ten_seconds_of_work_are_enough(rest: float, work: float, says: str | None) -> None:
    found = levels(gathered([track([(rest, 0.1), (work, 8.0), (1, 0.1)])]))
    assert (found if isinstance(found, str) else None) == says
