"""A line carries what the finding says, and can be read again, whatever the facts are called."""

import json
import math
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_support import FakeClock, stamper

from gatehand.journal.line import FIXED, LineError, decode, encode, new_run, wants_sync
from gatehand_rules.findings import Finding, Happened, Rule

STARTED = Finding(
    event=Happened.TOOL_STARTED,
    rule=Rule.START_THRESHOLD,
    tool="band_saw",
    facts=(("amps", 6.4), ("start_amps", 2.5)),
)


def test_a_line_has_time_run_number_event_subject_rule_and_numbers() -> None:
    line = stamper(FakeClock()).finding(STARTED, 12.3456)
    assert line == {
        "ts": "2026-03-05T12:00:00.000Z",
        "mono": 12.346,
        "run": "run1",
        "seq": 1,
        "synced": True,
        "event": "tool_started",
        "tool": "band_saw",
        "rule": "start_threshold",
        "amps": 6.4,
        "start_amps": 2.5,
    }
    assert encode(line).startswith(b'{"ts":"2026-03-05T12:00:00.000Z",')


def test_numbers_rise_by_one() -> None:
    stamps = stamper(FakeClock())
    assert [stamps.finding(STARTED, 0)["seq"] for _ in range(3)] == [1, 2, 3]


def test_a_fact_never_hides_a_fixed_key_nor_another_fact() -> None:
    facts = (("ts", "x"), ("tool", "y"), ("fact_tool", 1), ("amps", 1.0), ("amps", 2.0))
    line = stamper(FakeClock()).finding(Finding(event=Happened.BIN_FULL, rule=Rule.BIN_FULL, facts=facts), 0)
    assert line["ts"] == "2026-03-05T12:00:00.000Z"
    assert "tool" not in line
    assert (line["fact_ts"], line["fact_tool"], line["fact_fact_tool"]) == ("x", "y", 1)
    assert (line["amps"], line["fact_amps"]) == (1.0, 2.0)


FACTS = st.lists(
    st.tuples(
        st.sampled_from([*FIXED, "amps"]) | st.text(max_size=8),
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(exclude_categories=())),
    ),
    max_size=8,
)


@given(FACTS)
def test_any_facts_make_one_line_of_strict_json_that_reads_back(facts: list[tuple[str, str | float | None]]) -> None:
    finding = Finding(event=Happened.BIN_FULL, rule=Rule.BIN_FULL, collector="main", facts=tuple(facts))
    line = stamper(FakeClock()).finding(finding, 1.0)
    raw = encode(line)
    assert raw.count(b"\n") == 1
    raw.decode("utf-8")

    def refuse(name: str) -> None:
        raise AssertionError(name)

    assert json.loads(raw, parse_constant=refuse) == decode(raw) == line
    assert len(line) == len(FIXED) - 2 + len(facts)
    assert not any(isinstance(value, float) and not math.isfinite(value) for value in line.values())


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b'{"ts":"2026-03-0', "no JSON"),
        (b"[1]", "a JSON list, not an object"),
        (b'{"ts":1,"event":"x"}', 'no "ts" and "event"'),
        (b"\x00\x00\x00", "no JSON"),
        (b"\xff\xfe", "no JSON"),
        (b"[" * 100_000, "no JSON"),
    ],
)
def test_what_is_no_event_says_what_it_is(raw: bytes, says: str) -> None:
    with pytest.raises(LineError, match=says):
        decode(raw)


def test_a_chattering_sensor_does_not_ask_for_syncs_and_a_command_does() -> None:
    assert wants_sync({"event": Happened.COLLECTOR_ON})
    assert wants_sync({"event": Happened.ALARM_RAISED})
    assert not wants_sync({"event": Happened.READING_REJECTED})


def test_a_note_takes_its_subject_also_from_its_facts() -> None:
    line = stamper(FakeClock()).note("alarm_raised", 1.0, facts={"alarm": "x", "gate": "bench", "tool": None})
    assert (line["gate"], line["fact_tool"], line["alarm"]) == ("bench", None, "x")


def test_no_two_starts_of_the_daemon_are_alike() -> None:
    moment = datetime.fromisoformat("2026-03-05T12:00:00Z").timestamp()
    first, second = new_run(moment), new_run(moment)
    assert first.startswith("20260305T120000-")
    assert len({first, second, new_run(moment), new_run(moment)}) > 1
