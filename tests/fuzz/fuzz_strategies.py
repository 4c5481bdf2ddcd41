"""What is thrown at the ways in: bytes, JSON gone wrong, a config or a file of ours with a few changes."""

import os
from pathlib import Path

from fuzz_targets import EXAMPLE
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from gatehand.config import load
from gatehand.recording.recorder import Recorder
from gatehand_rules import events as ev
from gatehand_rules import initial
from gatehand_rules.words import Position

EXAMPLES = int(os.environ.get("GATEHAND_FUZZ_EXAMPLES", "3000" if os.environ.get("CI") else "300"))
"""Examples of each test; a large budget in CI, and as large as one wishes by the environment."""

budget = settings(
    max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), database=None, print_blob=True
)
slow_budget = settings(budget, max_examples=max(50, EXAMPLES // 5))
"""For ways in that go over a file."""

TEXT = EXAMPLE.read_text("utf-8")
_LINES = TEXT.splitlines()

numbers = st.one_of(
    st.floats().map(repr),
    st.integers(-(10**40), 10**40).map(str),
    st.sampled_from(
        ["nan", "NaN", "1e999", "-1e999", "1_0", "0x10", "1.", ".5", "+3", "٣", "9" * 5000, "1e-400", "-0"]
    ),
)
_KEYS = st.sampled_from(["amps", "position", "action", ""])
documents = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS, inner),
    max_leaves=8,
)


def _as_json(value: object) -> bytes:
    import json

    return json.dumps(value).encode("utf-8", "surrogatepass")


payloads = st.one_of(
    st.binary(max_size=200),
    numbers.map(str.encode),
    documents.map(_as_json),
    numbers.map(lambda number: b'{"amps": ' + number.encode() + b"}"),
    st.integers(1, 100_000).map(lambda depth: b"[" * depth),
    st.integers(0, 200_000).map(lambda size: b"1" * size),
    st.sampled_from(
        [b"1", b"0", b"open", b"shut", b"single", b'{"position": "open"}', b'{"action": "single"}', b" 1 "]
    ),
)

pointers = st.one_of(
    st.text(max_size=12),
    st.lists(st.sampled_from(["amps", "~0", "~1", "0", "-", "1", "", "é"]), max_size=5).map(
        lambda all_: "/" + "/".join(all_)
    ),
)

levels = st.sampled_from(["a", "b", "+", "#", "", "$SYS", "sport", "é", " ", "a+", "#a", "\0", "\ud800"])
topic_texts = st.one_of(st.text(max_size=30), st.lists(levels, max_size=6).map("/".join), st.just("a/" * 40_000))

_BITS = [
    *("[tool.band_saw]", "[[tool]]", "[gate.]", "[collector.main.x]", "=", '"', "'''", '"""', "\\u0000", "\\ud800"),
    *("{", "}", "[", "]", "nan", "inf", "-inf", "1e999", "true", "null", "2026-01-01", "0x7f", '"10 s"', '"-5 s"'),
    *('"1 h 90 min"', '"1e999 s"', "9" * 400, "-1", "# x", "\r", "\t", "\x00", "é", "gates", "collector"),
    *("max_open = 0", "\n"),
]


@st.composite
def changed_configs(draw: st.DrawFn) -> str:
    """The example config with lines dropped, doubled, moved, and pieces put where they do not belong."""
    lines = list(_LINES)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(lines) - 1)))
        match draw(st.integers(0, 5)):
            case 0:
                del lines[at : at + draw(st.integers(1, 4))]
            case 1:
                lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))] if lines else "")
            case 2 if lines:
                cut = draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:cut] + draw(st.sampled_from(_BITS)) + lines[at][cut:]
            case 3 if lines:
                lines[at] = lines[at].lstrip("# ")
            case 4 if lines:
                key, _, _ = lines[at].partition("=")
                lines[at] = f"{key}= {draw(st.one_of(st.sampled_from(_BITS), numbers))}"
            case _:
                lines.insert(at, draw(st.text(max_size=20)))
        if not lines:
            lines = [""]
    return "\n".join(lines)


configs = st.one_of(
    changed_configs(), changed_configs(), st.text(max_size=200), st.lists(st.sampled_from(_BITS)).map("".join)
)

_EVENT = b'{"ts":"2026-03-05T08:00:00.000Z","mono":1.0,"run":"r","seq":1,"event":"tool_started","tool":"band_saw"}'
log_pieces = st.one_of(
    st.just(_EVENT + b"\n"),
    st.integers(0, len(_EVENT)).map(lambda cut: _EVENT[:cut]),
    st.binary(max_size=60),
    documents.map(_as_json),
    st.sampled_from([b"\n", b"\r\n", b"\n\n", b"\x00", b"\x85", b"\x0b", b"\xe2\x80\xa8", b"[" * 3000]),
    st.tuples(st.text(max_size=30), st.text(max_size=12)).map(
        lambda two: _as_json({"ts": two[0], "event": two[1]}) + b"\n"
    ),
)
logs = st.lists(log_pieces, max_size=12).map(b"".join)


def sound_recordings(folder: Path) -> list[bytes]:
    """A live and a packed recording of a few minutes, with every kind of event in them."""
    loaded = load(EXAMPLE)
    assert loaded.shop is not None
    state = initial(loaded.shop, 0.0)
    found = []
    for packed in (False, True):
        where = folder / f"packed_{packed}"
        where.mkdir(parents=True, exist_ok=True)
        recorder = Recorder(where, run="run", clock=_Clock(), threaded=False)
        recorder.begin(TEXT, tuple(t.name for t in loaded.shop.tools), tuple(c.name for c in loaded.shop.collectors))
        for number in range(60):
            recorder.record(1000 + number * 250, ev.Reading("band_saw", number / 10), state)
            recorder.record(1000 + number * 250, ev.CollectorReading("main", 6.0), state)
            recorder.record(1001 + number * 250, ev.Tick(), state)
        recorder.record(20_000, ev.GateReport("band_saw", Position.OPEN), state)
        recorder.record(20_000, ev.StopReport("emergency", active=True), state)
        if packed:
            recorder.close(30_000)
        else:
            recorder.flush()
        found += [path.read_bytes() for path in sorted(where.glob("readings-*.*"))]
    return found


class _Clock:
    """Clocks that stand still."""

    def wall(self) -> float:
        return 1_772_700_000.0

    def mono(self) -> float:
        return 1.0

    def synced(self) -> bool:
        return True


@st.composite
def changed_bytes(draw: st.DrawFn, sound: list[bytes]) -> bytes:
    """One of these with bytes changed, cut out, put in, doubled."""
    data = bytearray(draw(st.sampled_from(sound)))
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        match draw(st.integers(0, 4)):
            case 0 if data:
                data[at] ^= draw(st.integers(1, 255))
            case 1:
                del data[at : at + draw(st.integers(1, 40))]
            case 2:
                data[at:at] = draw(st.binary(min_size=1, max_size=16))
            case 3:
                data[at:at] = data[at : at + draw(st.integers(1, 64))]
            case _:
                data[at : at + 4] = draw(st.sampled_from([b"\xff" * 4, b"\0" * 4, b"\xff\xff\xff\x7f"]))
    return bytes(data)
