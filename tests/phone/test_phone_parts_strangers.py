"""Whatever is heard, the page makes parts of it: other people's messages come over the same broker."""

import json
import re
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from parts_scenes import parts
from support.page_sample import COUNT
from support.status_shop import NOON, collector, gate, small_shop, stamp, tool

from gatehand.mqtt.inbox import Message
from gatehand.phone import tiles
from gatehand.phone.parts import Stations, parts_of
from gatehand.screen.daemon_status import DaemonStatus


def test_what_looks_like_a_page_stays_text_and_controls_are_gone() -> None:
    bad = "<img src=x onerror=alert(1)>\x1b[2J\x00\u202e\r\n<script>"
    heard = small_shop().say(f"gate/{bad}", gate("open", because=bad)).say(f"tool/{bad}", tool(bad, because=bad))
    heard.say("collector/main", collector("held", held=bad, because=bad))
    heard.say("alarm/x", {"because": bad, "next": bad, "since": bad})
    text = json.dumps(parts(heard), ensure_ascii=False)
    assert "<img src=x onerror=alert(1)>" in text
    assert not re.search("[\x00-\x1f\u202e]", text)


def test_a_sentence_of_any_length_is_known_for_what_it_tells_and_what_is_kept_of_them_is_bounded() -> None:
    refused = "start refused: the collector is on hold until somebody resets it"
    for number in range(600):
        heard = small_shop().say("tool/band_saw", tool("running", gates=["band_saw"], because=f"{refused}, {number}"))
        assert f", {number}." in parts(heard)["station:band_saw"]["tools"][0]["why"]
    kept = tiles._is_in_vain.cache_info()  # noqa: SLF001 - what it keeps
    assert 0 < kept.currsize <= 512
    heard = small_shop().say("tool/band_saw", tool("running", gates=["band_saw"], because=f"{refused}{', no' * 300}"))
    assert parts(heard)["station:band_saw"]["tools"][0]["why"].startswith("Start refused")
    after = tiles._is_in_vain.cache_info()  # noqa: SLF001 - the same
    assert after.misses == kept.misses, "a long one is not kept"


@pytest.mark.parametrize("name", ["W" * 64, "Größenänderung_žluťoučký_" + "ß" * 39, "漢" * 64])
def test_long_names_and_other_letters_are_shown_whole(name: str) -> None:
    heard = small_shop().say(f"gate/{name}", gate()).say(f"tool/{name}", tool(gates=[name]))
    found = parts(heard)[f"station:{name}"]
    assert found["title"] == name.replace("_", " ")
    assert found["spoken"].startswith(f"{name.replace('_', ' ')}: gate shut.")


_TIMES = st.sampled_from(
    ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00", stamp(NOON), "yesterday", ""]
)
_WORDS = st.sampled_from(["open", "running", "run_on", "silent", "held", "fault", "told", "kept", "time", "low", "on"])
_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=12) | _TIMES | _WORDS,
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=6), inside, max_size=3),
    max_leaves=6,
)
_KEYS = (
    *("state", "since", "because", "amps", "watts", "running", "start_amps", "stop_amps", "start_watts", "gates"),
    *("run_on_ends", "reading_at", "offline_since", "not_understood", "unheard", "known_by", "told_at", "by_hand"),
    *("hand", "hand_ends", "until", "until_because", "coast_down_until", "held", "held_by_stop", "hands", "switch"),
    *("motor", "switched", "reported_on", "drawing", "suction", "bin_full", "starts_per_hour", "starts_this_hour"),
    *("rhythm", "next", "acked", "collector"),
)
_BODIES = st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=12)
_PARTS = (
    "at",
    "kept",
    "recent",
    "value",
    "unit",
    "low",
    "high",
    "off",
    "baseline_of",
    "to",
    "answered",
    "topic",
    "key",
)
_NESTED = st.dictionaries(st.sampled_from(_PARTS), _VALUES, max_size=6)
_DEEPER = st.dictionaries(
    st.sampled_from(("switch", "motor", "switched", "suction", "not_understood", "rhythm")),
    _NESTED | st.lists(_NESTED, max_size=2),
    max_size=4,
)


@settings(max_examples=COUNT, deadline=None)
@given(
    said=st.lists(
        st.tuples(
            st.sampled_from(["collector", "gate", "tool", "alarm"]),
            st.sampled_from(["main", "band_saw", "x.y.z", "", "\ud800", "a b"]),
            _BODIES | _VALUES,
            _DEEPER,
            st.booleans(),
        ),
        max_size=8,
    ),
    later=st.floats(min_value=-1e9, max_value=1e9),
    with_config=st.booleans(),
)
@example([("tool", "band_saw", {"state": "run_on", "run_on_ends": "9999-12-31T23:59:59-14:00"}, {}, False)], 0.0, True)
def test_whatever_is_heard_there_are_parts_of_it(
    said: list[tuple[str, str, Any, dict[str, Any], bool]], later: float, with_config: bool
) -> None:
    status = DaemonStatus("gatehand")
    status.connected()
    for kind, name, body, deeper, retained in said:
        payload = json.dumps({**body, **deeper} if isinstance(body, dict) else body).encode()
        status.hear(Message(f"gatehand/{kind}/{name}", payload, retained, NOON), NOON)
    status.hear(Message("gatehand/online", b"1", True, NOON), NOON)
    planned = Stations(("band_saw", "sweep"), {"band_saw": ["band_saw"], "": ["main"]}) if with_config else None
    found = parts_of(status, planned, NOON + later, NOON + later)
    json.dumps(found, allow_nan=False)
    assert found["reached"]["state"] in {"well", "lost", "nothing"}
    for name in status.gates:
        assert found[f"station:{name}"]["gate"] is True
    shown = {each["name"] for key, part in found.items() if key.startswith("station:") for each in part["tools"]}
    assert set(status.tools) <= shown
