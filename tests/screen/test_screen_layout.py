"""What stands on the screen, and that it fits whatever happens."""

from datetime import datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.status_shop import NOON, Heard, alarm, collector, gate, large_shop, small_shop, stamp, tool, tool_of

from gatehand.config.signals import SENSORS
from gatehand.screen.lines import text_of
from gatehand.screen.page import page
from gatehand.screen.rows import meter
from gatehand.times import lasting
from gatehand_rules.words import Measure


def clock(at: float) -> str:
    return datetime.fromtimestamp(at).astimezone().strftime("%H:%M:%S")


def test_a_small_shop_stands_whole_on_a_small_screen() -> None:
    heard = small_shop()
    text = heard.text()
    for word in ("collector main", "OFF", "No active alarms.", "band saw", "jointer", "0.05 A", "1.8", "2.5", "GATES"):
        assert word in text
    assert len(heard.lines()) <= 24


def test_a_run_on_and_a_coast_down_count_down() -> None:
    heard = small_shop()
    heard.say("tool/band_saw", tool("run_on", run_on_ends=stamp(NOON + 7)))
    heard.say("collector/main", collector("run_on", until=stamp(NOON + 7), until_because="run-on of band saw"))
    assert "RUN-ON  off in 7 s (run-on of band saw)" in heard.text()
    assert "run-on 7 s" in heard.text()
    heard.at += 3
    assert "RUN-ON  off in 4 s (run-on of band saw)" in heard.text()
    heard.say("collector/main", collector("coast_down", coast_down_until=stamp(NOON + 8)))
    assert "COAST-DOWN  coasts for 5 s more" in heard.text()
    heard.at += 6
    assert "stops turning in" not in heard.text()


def test_the_seconds_of_a_run_on_stand_beside_no_other_word() -> None:
    heard = small_shop()
    heard.say("tool/band_saw", tool("silent", run_on_ends=stamp(NOON + 7)))
    assert "SILENT" in heard.text()
    assert "7 s" not in heard.text()


def test_when_a_collector_goes_off_is_shown_with_what_is_over_then() -> None:
    heard = small_shop()
    sweep: dict[str, Any] = {"until": stamp(NOON + 1750), "until_because": "hand start at sweep", "hands": ["sweep"]}
    heard.say("collector/main", collector("running", **sweep))
    assert "RUNNING  off in 29 min 10 s (hand start at sweep)" in heard.text()
    stuck: dict[str, Any] = {"until_because": "run limit of band saw", "running": ["band_saw"]}
    heard.say("collector/main", collector("running", until=stamp(NOON + 3601), **stuck))
    assert "off in" not in heard.text(), "nobody counts the hours of a run limit"
    heard.say("collector/main", collector("running", until=stamp(NOON + 600), **stuck))
    assert "off in 10 min (run limit of band saw)" in heard.text()


def test_a_countdown_goes_by_the_daemons_clock_where_the_clocks_differ() -> None:
    heard = small_shop()
    ahead = 90
    until = stamp(NOON + ahead + 10)
    heard.say("collector/main", collector("run_on", since=NOON + ahead, until=until))
    assert "off in 10 s" in heard.text()
    assert "Its clock is 1 min 30 s ahead of this computer's." in heard.text()
    assert f"{clock(NOON)}  collector" in heard.text()  # events are shown in this machine's time


def test_an_alarm_says_why_since_when_and_what_to_do() -> None:
    heard = small_shop()
    heard.at += 125
    heard.say("alarm/gate.band_saw.fault", alarm("The gate band saw was told open.", NOON))
    text = heard.text()
    assert "1 ACTIVE ALARM" in text
    assert f"! The gate band saw was told open. (since {clock(NOON)}, 2 min 5 s)" in text
    assert "  Next: Look at it and mend it." in text
    heard.say("alarm/gate.band_saw.fault", b"")
    assert "No active alarms." in heard.text()
    assert "alarm over: gate band saw fault" in heard.text()


def test_an_offline_daemon_is_said_first() -> None:
    heard = small_shop().say("tool/band_saw", tool("running", 5.0))
    heard.at += 60
    heard.say("online", "0")
    assert heard.lines()[1].startswith("THE DAEMON IS OFFLINE")
    assert "the daemon is offline" in heard.text()


def test_what_stands_below_an_offline_daemon_is_said_to_be_of_the_past() -> None:
    heard = small_shop()
    heard.say("online", "0")
    text = " ".join(heard.lines())
    assert f"Last heard at {clock(NOON)}. Everything below is from that time." in text
    assert "No alarms were active then." in text
    assert "No active alarms." not in text
    heard.at += 43_199
    assert f"Last heard at {clock(NOON)}. Everything" in " ".join(heard.lines())
    heard.at += 1
    assert f"Last heard at {clock(NOON)}, 12 h ago. Everything" in " ".join(heard.lines())


def test_what_only_the_broker_has_kept_is_at_least_as_old_as_the_newest_time_in_it() -> None:
    heard = small_shop().say("online", "0", retained=True)
    heard.at += 10
    text = " ".join(heard.lines())
    nothing = "nothing opens a gate or starts the collector. Everything below is from before that"
    assert f"{nothing}, the newest of it 10 s old." in text
    last: dict[str, Any] = {"reading_at": stamp(NOON + 4), "run_on_ends": stamp(NOON + 60)}
    heard.say("tool/band_saw", tool("run_on", **last), retained=True)
    heard.say("gate/band_saw", gate("open", reported_at=stamp(NOON + 3)), retained=True)
    assert ", the newest of it 6 s old." in " ".join(heard.lines())
    heard = Heard().say("online", "0", retained=True).say("tool/band_saw", {"state": "idle"}, retained=True)
    assert f"{nothing}." in " ".join(heard.lines())
    assert "below" not in " ".join(Heard().say("online", "0", retained=True).lines())


def test_an_age_that_is_not_known_is_not_told_once_the_connection_is_lost() -> None:
    heard = small_shop().say("tool/band_saw", tool("idle", 0.1, reading_at=stamp(NOON - 150)))
    heard.say("tool/jointer", tool("silent", 0.1, reading_at=stamp(NOON - 150)))
    heard.status.lost("no connection", heard.at)
    heard.at += 4
    assert "ago" not in row_of(heard, "band saw")
    assert "0.10 A, 2 min ago" in row_of(heard, "jointer")


def test_a_device_that_is_offline_is_said_beside_its_state_with_how_long() -> None:
    heard = small_shop()
    gone = stamp(NOON)
    heard.say("gate/band_saw", gate("shut", offline_since=gone))
    heard.say("tool/band_saw", tool("silent", offline_since=gone))
    heard.say("collector/main", collector("off", offline_since=gone))
    heard.at = NOON + 42
    text = heard.text()
    assert "shut, OFFLINE 42 s" in text
    assert "SILENT, OFFLINE 42 s" in row_of(heard, "band saw")
    assert "collector main  OFF  OFFLINE 42 s" in text
    heard.at = NOON + 200
    assert "shut, OFFLINE 3 min" in heard.text()
    heard.say("gate/band_saw", gate("shut"))
    assert "shut, OFFLINE" not in heard.text()


def test_a_lost_broker_is_said_first_with_how_long_and_why() -> None:
    heard = small_shop().say("tool/band_saw", tool("running", 5.0))
    heard.status.lost("no connection to the broker at shop.local:1883 (refused)", heard.at)
    heard.at += 12
    text = " ".join(heard.lines())
    assert "NO BROKER for 12 s: no connection to the broker at shop.local:1883 (refused); trying again." in text
    assert f"Last heard at {clock(NOON)}." in text


def test_a_base_where_nothing_speaks_is_doubted() -> None:
    assert (
        "Nothing is heard on gatehand/online: Gatehand has not run on this broker yet (start it with `gatehand run`), "
        "or 'gatehand' is not its base, or this user may not read it."
    ) in " ".join(Heard().lines())


@pytest.mark.parametrize("height", [None, 24, 8])
def test_where_nothing_is_heard_no_empty_table_and_no_comfort_is_shown(height: int | None) -> None:
    text = "\n".join(Heard().lines(80, height))
    assert "Nothing is heard on gatehand/online" in text
    for word in ("TOOLS", "GATES", "| start", "No active alarms"):
        assert word not in text


def test_more_than_fits_is_counted_never_dropped() -> None:
    heard = large_shop(tools=20)
    heard.say("tool/tool_19", tool("running", 5.0))
    heard.say("gate/gate_15", gate("open"))
    lines = heard.lines()
    assert len(lines) <= 24
    text = "\n".join(lines)
    assert "tool 19  " in text.partition("LAST EVENTS")[0]
    assert "more, all idle" in text
    assert "open: gate 15; shut: 15" in text


def test_more_alarms_than_fit_are_named() -> None:
    heard = small_shop()
    for n in range(9):
        heard.say(f"alarm/tool.{n}.silent", alarm(f"The tool {n}'s sensor has said nothing for 30 s.", NOON + n))
    text = heard.text()
    assert "9 ACTIVE ALARMS" in text
    assert "The tool 8's sensor" in text  # the newest
    assert "more: " in text
    assert "tool 0 silent" in text or ".." in text


def test_a_gate_says_how_it_is_known_to_be_open_and_for_how_long_by_hand() -> None:
    heard = small_shop()
    heard.say("gate/band_saw", gate("open", reports=False))
    heard.say("gate/jointer", gate("open", hand=True, hand_ends=stamp(NOON + 600)))
    assert "(by time)" in heard.text()
    assert "(by hand, 10 min)" in heard.text()


def test_what_is_seen_of_the_fan_is_told_and_a_contradiction_in_full() -> None:
    heard = small_shop()
    heard.say("collector/main", collector("running", reported_on=True, drawing=True))
    assert "switch reports on, motor draws current" in heard.text(), "as an earlier daemon tells it"
    switch = {"at": stamp(NOON - 7200), "kept": False, "recent": False}
    motor = {"amps": 6.4, "at": stamp(NOON - 1), "kept": False, "recent": True}
    known = {"reported_on": True, "drawing": True, "switch": switch, "motor": motor}
    heard.say("collector/main", collector("running") | known)
    assert "switch reported on 2 h ago, motor draws 6.40 A" in heard.text()
    known |= {"motor": motor | {"amps": 0.0}, "drawing": False}
    known |= {"switched": {"to": "on", "at": stamp(NOON - 4), "answered": False}}
    heard.say("collector/main", collector("running") | known)
    text = " ".join(heard.text().split())
    assert "switch reported on 2 h ago, motor draws nothing, switched on 4 s ago, not confirmed yet" in text
    known |= {"switched": {"to": "on", "at": stamp(NOON - 4), "answered": False, "no_longer": True}}
    heard.say("collector/main", collector("running") | known)
    text = " ".join(heard.text().split())
    assert "motor draws nothing, no longer confirmed" in text
    assert "not confirmed yet" not in text
    known |= {"motor": motor | {"at": stamp(NOON - 38), "recent": False}, "drawing": True, "switched": None}
    heard.say("collector/main", collector("coast_down") | known | {"reported_on": False})
    assert "switch reported off 2 h ago, motor drew 6.40 A 38 s ago" in " ".join(heard.text().split())
    known |= {"motor": {"amps": None, "at": None, "kept": False, "recent": False}, "drawing": None}
    known |= {"switch": switch | {"kept": True}}
    heard.say("collector/main", collector("off") | known | {"reported_on": False})
    text = " ".join(heard.text().split())
    assert "switch reported off in an old message, motor not heard since Gatehand started" in text


@pytest.mark.parametrize(
    ("suction", "said"),
    [
        (
            {"value": 2051, "low": 1646, "high": 2316, "baseline_of": None},
            "suction 2,051 Pa (1,646 to 2,316 by its ducts)",
        ),
        (
            {"value": 1200, "low": 1646, "high": 2316, "baseline_of": "2026-03-01T09:00:00.000Z", "off": "low"},
            "SUCTION TOO LOW: 1,200 Pa (1,646 to 2,316 by its baseline of 2026-03-01)",
        ),
        (
            {"value": 4.98, "unit": "in.w.g.", "low": 4, "high": 5.5},
            "suction 4.98 in.w.g. (4.00 to 5.50 by its ducts)",
        ),
        ({"value": 1200, "not_judged": "there are no ducts"}, "suction 1,200 Pa, not judged: there are no ducts"),
        ({"value": None, "not_judged": "it speaks too seldom"}, "suction not judged: it speaks too seldom"),
        ({"value": None}, None),
        ({"value": "much", "low": [], "high": {}}, None),
        (7, None),
    ],
)
def test_the_suction_is_one_of_the_things_told_of_a_collector(suction: Any, said: str | None) -> None:  # noqa: ANN401
    shown = {"unit": "Pa", **suction} if isinstance(suction, dict) else suction
    heard = small_shop().say("collector/main", collector("running", suction=shown))
    text = " ".join(heard.text(width=200).split())
    assert (said in text) if said is not None else "uction" not in text


def test_a_gate_says_what_it_rests_on_that_it_is_where_it_is() -> None:
    heard = small_shop()
    heard.say("gate/band_saw", gate("opening", known_by="told", told_at=stamp(NOON - 12)))
    heard.say("gate/jointer", gate("shut", known_by="kept"))
    assert "(told 12 s ago)" in heard.text()
    assert "(by an old report)" in heard.text()
    heard.say("gate/band_saw", gate("open", known_by="time", reports=False))
    heard.say("gate/jointer", gate("open", known_by="report"))
    assert "(by time)" in heard.text()
    assert "old report" not in heard.text()


def test_everything_that_is_known_of_a_collector_is_told_over_two_lines_if_need_be() -> None:
    heard = small_shop()
    known = {"held": "emergency", "running": ["band_saw", "jointer"], "reported_on": False, "bin_full": True}
    heard.say("collector/main", collector("held", starts_this_hour=5, starts_per_hour=6) | known)
    text = " ".join(heard.text().split())
    told = (
        "HELD on hold (emergency), until a reset, tools running: band saw, jointer, switch reports off, BIN FULL, "
        "5 of 6 starts"
    )
    assert told in text


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"held": "asked for", "held_by_stop": False}, "HELD  on hold (no reason given), until a reset"),
        ({"held": "filter_change"}, "HELD  on hold (filter change), until a reset"),
        ({"held": "emergency", "held_by_stop": True}, "HELD  on hold by stop contact emergency, until a reset"),
    ],
)
def test_a_hold_is_told_by_its_reason(facts: dict[str, object], said: str) -> None:
    heard = small_shop()
    heard.say("collector/main", collector("held") | facts)
    assert said in heard.text()


def test_a_reason_that_the_countdown_has_told_is_not_told_again() -> None:
    heard = small_shop()
    words = "run-on of band saw"
    facts: dict[str, Any] = {"until": stamp(NOON + 7), "until_because": words, "because": words}
    heard.say("collector/main", collector("run_on") | facts)
    assert heard.text().split("LAST EVENTS")[0].count(words) == 1
    heard.say("collector/main", collector("run_on") | facts | {"because": f"{words} and jointer"})
    assert f"\n  {words} and jointer\n" in heard.text()
    heard.say("collector/main", collector("run_on") | facts | {"until": stamp(NOON - 1)})
    assert f"\n  {words}\n" in heard.text(), "nothing counts down to it"


def test_control_characters_do_not_reach_the_terminal() -> None:
    heard = small_shop()
    heard.say("alarm/evil\x1b[2J", alarm("\x1b]0;gone\x07 and\nmore"))
    heard.status.lost("bad \x1b[31m news", heard.at)
    assert "\x1b" not in heard.text()
    assert "\x07" not in heard.text()


@pytest.mark.parametrize(
    ("amps", "bar"),
    [
        (None, ".......:..|........."),
        (0.0, ".......:..|........."),
        (1.0, "====...:..|........."),
        (2.4, "=======:=.|........."),
        (2.5, "=======:==|........."),
        (3.0, "=======:==|=........"),
        (99.0, "=======:==|========>"),
    ],
)
def test_the_current_is_a_bar_against_both_thresholds(amps: float | None, bar: str) -> None:
    assert meter(amps, 2.5, 1.8) == bar


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "0 s"), (59.6, "1 min"), (125, "2 min 5 s"), (3600, "1 h"), (11_400, "3 h 10 min"), (200_000, "2 days")],
)
def test_lengths_of_time_are_said_in_whole_seconds(seconds: float, text: str) -> None:
    assert lasting(seconds, whole=True) == text


@settings(max_examples=150, deadline=None)
@given(
    width=st.integers(40, 200),
    height=st.integers(8, 60),
    tools=st.integers(0, 25),
    gates=st.integers(0, 25),
    alarms=st.integers(0, 8),
    events=st.integers(0, 30),
    online=st.sampled_from(["1", "0"]),
)
def test_every_screen_fits_its_terminal_and_counts_every_alarm(  # noqa: PLR0917 - what may vary
    width: int, height: int, tools: int, gates: int, alarms: int, events: int, online: str
) -> None:
    heard = large_shop(tools, gates).say("online", online)
    for n in range(events):
        heard.say("tool/tool_00", tool("running" if n % 2 == 0 else "idle", because=f"change {n}"))
    for n in range(alarms):
        heard.say(f"alarm/a{n}", alarm("word " * 20))
    lines = [text_of(each) for each in page(heard.status, "x" * 60, heard.at, width=width, height=height)]
    assert len(lines) <= height
    assert all(len(each) <= width for each in lines)
    none = "No active alarms." if online == "1" else "No alarms were active then."
    told = none if alarms == 0 else f"{alarms} ACTIVE ALARM"
    assert any(each.startswith(told) for each in lines)


def test_what_was_never_heard_and_what_is_not_understood_stands_on_the_page_that_is_read_once() -> None:
    odd = [{"topic": "shop/router/amps", "said": "n/a", "why": "found text that is not a number, want a number"}]
    heard = Heard()
    heard.say("gate/sweep", gate(unheard=["shop/gate/sweep/button"])).say("tool/router", tool(not_understood=odd))
    heard.say("collector/main", collector())
    lines = heard.lines(width=200, height=None)
    at = lines.index("NOT HEARD OR NOT UNDERSTOOD")
    assert lines[at + 1] == "router: said 'n/a' on shop/router/amps: found text that is not a number, want a number"
    assert lines[at + 2] == "gate sweep: never heard: shop/gate/sweep/button"
    heard.say("gate/sweep", gate())
    assert heard.lines(width=200, height=None)[at] == "NOT UNDERSTOOD"
    heard.say("gate/sweep", gate(unheard=["shop/gate/sweep/button"])).say("tool/router", tool())
    assert heard.lines(width=200, height=None)[at] == "NOT HEARD"
    heard.say("gate/sweep", gate())
    assert "NOT HEARD" not in heard.lines(width=200, height=None)


@pytest.mark.parametrize(
    ("word", "key", "shown"),
    [
        ("silent", "current", "NOT UNDERSTOOD"),
        ("silent", "power", "NOT UNDERSTOOD"),
        ("silent", "running", "NOT UNDERSTOOD"),
        ("silent", "online", "SILENT"),
        ("silent", None, "SILENT"),  # of an earlier daemon
        ("idle", "current", "idle"),
    ],
)
def test_a_silent_sensor_that_is_heard_is_shown_as_not_understood(word: str, key: str | None, shown: str) -> None:
    odd = {"topic": "shop/router/amps", "said": "n/a", "why": "found text"} | ({"key": key} if key else {})
    heard = small_shop().say("tool/jointer", tool(word, not_understood=[odd]))
    assert row_of(heard, "jointer").startswith(f"jointer   {shown}  ")
    assert heard.status.states("tool")["jointer"] == word


def test_it_is_shown_so_where_tools_are_told_in_short_too() -> None:
    odd = {"topic": "shop/router/amps", "said": "n/a", "why": "found text", "key": "current"}
    heard = small_shop().say("tool/jointer", tool("silent", not_understood=[odd])).say("tool/band_saw", tool("running"))
    assert "TOOLS  NOT UNDERSTOOD: jointer; running: band saw" in heard.lines(width=80, height=8)


def test_every_sensor_of_a_config_may_be_heard_and_not_understood() -> None:
    for key in SENSORS:
        heard = small_shop().say("tool/jointer", tool("silent", not_understood=[{"key": key}]))
        assert "NOT UNDERSTOOD" in row_of(heard, "jointer")


def test_what_is_not_understood_moves_no_cursor_and_breaks_no_page() -> None:
    odd: list[object] = [3, {"topic": 7, "said": "\x1b[2J"}, None]
    heard = Heard().say("tool/router", tool(not_understood=odd, unheard="x"))
    assert "\x1b" not in "\n".join(heard.lines(width=80, height=None))


def test_a_meters_rhythm_is_told_with_what_it_rests_on_where_there_is_room() -> None:
    heard = small_shop()
    assert "METERS" not in heard.text()
    steady = {"every": 9.98, "longest": 10.4, "steady": True, "on_change": False, "count": 14}
    heard.say("tool/band_saw", tool(rhythm=steady))
    heard.say("tool/jointer", tool(rhythm={"every": "often", "steady": 1}))
    for height in (None, 24):
        text = " ".join(heard.text(height=height).split())
        said = (
            "METERS band saw: speaks every 10 s (seen 14 times): shorter cuts are missed, starts come up to 10 s late"
        )
        assert said in text
        assert "jointer: speaks" not in text
    assert "METERS" not in heard.text(height=16)


def test_events_are_not_pushed_out_by_what_the_meters_do() -> None:
    heard = small_shop()
    beat = {"every": 60, "longest": 60, "steady": True, "on_change": True, "count": 9}
    heard.say("tool/jointer", tool(rhythm=beat))
    for n in range(5):
        heard.say(
            "tool/band_saw", tool("running" if n % 2 else "idle", because=f"reason {n}", since=NOON + n, rhythm=beat)
        )
    before = [height for height in range(12, 40) if "METERS" in heard.text(height=height)]
    assert before
    for height in range(12, 40):
        assert len(heard.lines(height=height)) <= height
        if height in before:
            assert "reason 2" in heard.text(height=height), "the last three"


def row_of(heard: Heard, name: str, width: int = 80) -> str:
    return next(line for line in heard.lines(width) if line.startswith(f"{name} "))


def test_each_tool_is_shown_in_its_own_unit_against_its_own_thresholds() -> None:
    heard = small_shop()
    heard.say("tool/band_saw", tool("running", 6.25))
    heard.say("tool/carving", tool_of(Measure.WATTS, 121.4, state="running", start_watts=100.0, stop_watts=70.0))
    heard.say("tool/sander", tool_of(Measure.RUNNING, True, state="running"))
    assert row_of(heard, "band saw").split(maxsplit=2)[2].split() == [
        "running",
        "6.25",
        "A",
        "=======:==|========>",
        "1.8",
        "A",
        "2.5",
        "A",
    ]
    assert row_of(heard, "carving").split() == [
        "carving",
        "running",
        "121",
        "W",
        "=======:==|=........",
        "70",
        "W",
        "100",
        "W",
    ]
    assert row_of(heard, "sander").split() == ["sander", "running", "running"], "a contact has no scale"
    ends = [len(row_of(heard, name)) for name in ("TOOLS", "band saw", "carving")]
    assert len(set(ends)) == 1, "thresholds stand below their heading"


@pytest.mark.parametrize(
    ("measure", "reading", "shown"),
    [
        (Measure.WATTS, None, "no reading"),
        (Measure.WATTS, 0.2, "0 W"),
        (Measure.WATTS, 12_345.6, "12,346 W"),
        (Measure.RUNNING, None, "no reading"),
        (Measure.RUNNING, False, "stopped"),
        (Measure.RUNNING, "yes", "no reading"),
        (Measure.WATTS, True, "no reading"),
    ],
)
def test_a_reading_is_told_as_what_it_is_or_as_none(measure: Measure, reading: float | None, shown: str) -> None:
    heard = small_shop().say("tool/sander", tool_of(measure, reading, start_watts=3_000.0, stop_watts=2_100.0))
    assert shown in row_of(heard, "sander")
    assert len(row_of(heard, "sander")) <= 80


def test_the_longest_name_leaves_room_for_every_figure() -> None:
    most = tool_of(Measure.WATTS, 99_999.0, state="running", start_watts=12_000.0, stop_watts=9_000.0)
    heard = small_shop().say("tool/a_very_long_name_of_a_tool", most)
    (row,) = (line for line in heard.lines() if line.startswith("a very"))
    assert row.endswith(" 9000 W 12000 W")
