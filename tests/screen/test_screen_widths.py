"""Screens of 40 to 200 columns: nothing is cut, nobody is taken for another, and what gives way is counted."""

import os
import re
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.status_shop import NOON, Heard, alarm, collector, gate, small_shop, stamp, tool, tool_of

from gatehand.journal.sentences import spoken
from gatehand.measures import steady
from gatehand.screen.lines import text_of
from gatehand.screen.live import console
from gatehand.screen.rows import in_short, listed_within, shortened
from gatehand.terminal import wide
from gatehand.times import lasting
from gatehand_rules.words import Measure

COUNT = int(os.environ.get("GATEHAND_SCREENS", "150"))
SEED = int(os.environ.get("GATEHAND_SCREENS_SEED", "1"))
LETTERS = ("a", "b", "saw", "bench", "_", "-", "7", "鋸", "台", "é", "e\u0301", "\U0001fa9a")
STATES = {
    "tool": ("idle", "running", "run_on", "silent", "unknown", "muted"),
    "gate": ("shut", "opening", "open", "shutting", "unknown", "fault"),
    "collector": ("off", "opening", "spin_up", "running", "run_on", "coast_down", "held"),
}
LOUD = {"silent": "SILENT", "fault": "FAULT"}


class Drawn(Random):
    """Any shop, at any moment of its work, by its seed."""

    def shop(self) -> Heard:
        heard = Heard().say("online", self.choice("1110"), retained=True)
        for name in self.names(1, 3):
            facts: dict[str, Any] = {"run_on_until": self.moment(), "drawing": self.choice((None, True, False))}
            facts |= {"running": self.choice(([], ["band_saw", "drum_sander"]))}
            facts |= {"starts_this_hour": 5, "starts_per_hour": 12, "because": self.choice(("", "why " * 30))}
            heard.say(f"collector/{name}", collector(self.choice(STATES["collector"]), **facts), retained=True)
        for name in self.names(0, 20):
            heard.say(f"tool/{name}", self.tool(), retained=True)
        for name in self.names(1, 20):
            by_hand: dict[str, Any] = {"hand": self.flag(), "hand_ends": self.moment(), "by_hand": self.flag()}
            heard.say(f"gate/{name}", gate(self.choice(STATES["gate"]), **by_hand), retained=True)
        for number in range(self.randint(0, 4)):
            text = "No reading from its sensor for 30 s. " * 3
            heard.say(f"alarm/tool.a{number}.silent", alarm(text, NOON - number))
        return heard

    def tool(self) -> dict[str, object]:
        word = self.choice(STATES["tool"])
        facts: dict[str, Any] = {"run_on_ends": self.moment() if word == "run_on" else None}
        facts |= {"reading_at": self.moment(-1)}
        if self.flag():
            return tool(word, **facts) | {"amps": self.choice((None, 0.0, 0.04, 6.25, 123.456))}
        watts = self.choice((0.0, 121.4, 12_345.0))
        return tool_of(Measure.WATTS, watts, state=word, start_watts=3_000.0, stop_watts=2_100.0) | facts

    def flag(self) -> bool:
        return self.random() < 0.5

    def names(self, least: int, most: int) -> list[str]:
        """Of 4 columns to twice 64; each ends in a number of its own, so that none is a part of another."""
        longest = self.choice((2, 5, 18, 60))
        made = ("".join(self.choices(LETTERS, k=self.randint(0, longest))) for _ in range(self.randint(least, most)))
        return [re.sub("__+", "_", f"x{name[:60]}q{number:02}") for number, name in enumerate(made)]

    def moment(self, way: int = 1) -> str | None:
        """None, or a time from half a second to a day after now; `way` -1: before."""
        return stamp(NOON + way * self.choice((0.4, 7.0, 59.7, 754.0, 5_400.0, 86_000.0))) if self.flag() else None


def drawn() -> Iterator[tuple[int, Drawn]]:
    for seed in range(SEED, SEED + COUNT):
        yield seed, Drawn(seed)


def flat(lines: list[str]) -> str:
    return re.sub(r"\s", "", "".join(lines))


def shown_state(kind: str, word: str) -> str:
    said = word.replace("_", "-")
    return said.upper() if kind == "collector" else LOUD.get(word, said)


def test_a_page_that_is_read_once_says_everything_whole() -> None:
    for seed, draw in drawn():
        heard, width = draw.shop(), draw.randint(40, 200)
        try:
            says_everything_whole(heard, width)
        except AssertionError as error:
            raise AssertionError(f"seed {seed}, {width} columns:\n{heard.text(width, None)}") from error


def says_everything_whole(heard: Heard, width: int) -> None:
    lines, status = heard.lines(width, None), heard.status
    assert all(wide(line) <= width for line in lines)
    text = flat(lines)
    for name, message in status.tools.items():
        reading = "no reading" if message.reading is None else steady(message.measure, message.reading)
        left = message.moment("run_on_ends")
        state = shown_state("tool", message.text("state"))
        count = "" if left is None else f"{state} {lasting(max(1, round(left - NOON)), whole=True)}"
        assert flat([spoken(name), count or state, reading]) in text
        for whole in (count or state, reading):
            assert any(whole in line for line in lines), "on one line"
    for name, message in status.gates.items():
        state = shown_state("gate", message.text("state"))
        assert flat([spoken(name), state]) in text
        assert any(state in line for line in lines)
    for name, message in status.collectors.items():
        state = shown_state("collector", message.text("state"))
        assert flat(["collector", spoken(name), state]) in text
        assert any(state in line for line in lines)
        assert any("5 of 12" in line for line in lines)
        assert flat([message.text("because")]) in text
    for message in status.alarms.values():
        assert flat([message.text("because")]) in text
    assert not re.search(r"(?<!\S)0 s(?!\S)", "\n".join(lines))


def test_on_a_screen_with_few_rows_what_gives_way_is_counted() -> None:
    for seed, draw in drawn():
        heard, width, height = draw.shop(), draw.randint(40, 200), draw.choice((8, 9, 10, 12, 16, 24, 40, 60))
        try:
            counts_what_gives_way(heard, width, height)
        except AssertionError as error:
            raise AssertionError(f"seed {seed}, {width} x {height}:\n{heard.text(width, height)}") from error


def counts_what_gives_way(heard: Heard, width: int, height: int) -> None:
    lines, status = heard.lines(width, height), heard.status
    assert len(lines) <= height
    assert all(wide(line) <= width for line in lines)
    assert any(line.startswith(f"{len(status.alarms) or 'No'} ") for line in lines), "alarms are counted"
    parts = _parts(lines)
    for kind, every in (("tool", status.tools), ("gate", status.gates), ("collector", status.collectors)):
        assert _told(parts[kind], f"{kind.upper()}S", [*map(spoken, every)]) == len(every), (kind, lines)


def _parts(lines: list[str]) -> dict[str, list[str]]:
    """The lines of each part, by its kind."""
    found: dict[str, list[str]] = {"tool": [], "gate": [], "collector": []}
    at = ""
    for line in lines:
        first = line.split("  ")[0].split(" ")[0]
        head = {"TOOLS": "tool", "GATES": "gate", "COLLECTORS": "collector", "collector": "collector"}.get(first)
        if head is not None:
            at = head
        elif line.startswith(("No active", "LAST EVENTS", "METERS")) or " ACTIVE ALARM" in line:
            at = ""
        if at:
            found[at].append(line)
    return found


def _told(lines: list[str], title: str, every: list[str]) -> int:
    """How many are named or counted."""
    if not lines:
        return 0
    short = " ".join(" ".join(lines).split()).partition(f"{title} ")[2]
    if re.match(rf"{title}  [\w-]+: ", lines[0]):
        said = [part.rpartition(": ")[2] for part in short.split("; ")]
        return sum(int(each) if each.isdigit() else len(each.split(", ")) for each in said)
    note = re.search(r"and (\d+) more, (all idle|(\d+) of them not idle)", " ".join(lines))
    text, begun = flat(lines), [re.split(r"  +", cell)[0] for line in lines for cell in re.split(r" {3,}", line)]
    cells = [each.partition("..")[::2] for each in begun if ".." in each]
    found = 0
    for name in every:
        others = [each for each in cells if name.startswith(each[0]) and name.endswith(each[1].strip())]
        found += flat([name]) in text or len(others) == 1
    return found + (int(note[1]) if note else 0)


@settings(max_examples=100)
@given(st.lists(st.text("abé鋸 ", min_size=1, max_size=30), max_size=12, unique=True), st.integers(4, 40))
def test_no_two_shortened_names_are_alike_and_none_could_be_anothers(every: list[str], room: int) -> None:
    found = shortened(every, room)
    assert len(set(found.values())) == len(every)
    for name, short in found.items():
        if short == name:
            continue
        assert wide(name) > room >= wide(short), "only where there is no room"
        first, _, last = short.partition("..")
        assert [one for one in every if one.startswith(first) and one.endswith(last)] == [name]


def test_a_name_is_shortened_in_its_middle_where_most_names_differ_at_an_end() -> None:
    every = ["thickness planer north", "thickness planer south", "saw"]
    assert list(shortened(every, 12).values()) == ["thickne..rth", "thickne..uth", "saw"]
    alike = [f"{'a' * 20}{number}{'a' * 20}" for number in (1, 2)]
    assert list(shortened(alike, 12).values()) == alike, "whole where there is no other way"


def test_the_last_gate_of_a_row_is_whole() -> None:
    heard = small_shop()
    for name in ("planing", "carving", "sweep"):
        heard.say(f"gate/{name}", gate("open"))
    for width in range(40, 201):
        gates = heard.text(width, None).partition("GATES\n")[2]
        told = "band saw shut carving open jointer shut planing open sweep open"
        assert " ".join(re.findall(r"\S+", gates)) == told


def test_who_is_in_which_state_is_told_in_short_as_far_as_there_is_room() -> None:
    states = {"sweep": "open", "saw": "FAULT", **{f"gate {n}": "shut" for n in range(18)}}

    def told(width: int, most: int) -> list[str]:
        return [*map(text_of, in_short("GATES", states, ("FAULT", "open", "shut"), width, most, quiet="shut"))]

    assert told(80, 1) == ["GATES  FAULT: saw; open: sweep; shut: 18"]
    assert told(38, 1) == ["GATES  FAULT: saw; open: 1; shut: 18"]
    assert told(38, 2) == ["GATES  FAULT: saw; open: sweep; shut:", "  18"]
    assert told(32, 1) == ["GATES  FAULT: 1; others: 19"]
    assert told(20, 1) == ["GATES  others: 20"], "counted, never left out"


@pytest.mark.parametrize(
    ("width", "told"), [(40, "more: saw, sweep"), (15, "more: saw, .."), (10, "more: .."), (3, "more: ..")]
)
def test_names_behind_a_text_are_whole_or_dots(width: int, told: str) -> None:
    assert listed_within("more: ", ["saw", "sweep"], width) == told


@pytest.mark.parametrize(
    ("ago", "state", "rhythm", "online", "told"),
    [
        (200, "silent", None, "1", "1.80 A, 3 min ago"),
        (200, "idle", None, "1", "1.80 A"),
        (200, "idle", {"steady": False}, "1", "1.80 A, 3 min ago"),
        (20, "idle", {"steady": False}, "1", "1.80 A"),
        (200, "idle", {"steady": True}, "1", "1.80 A"),
        (200, "unknown", None, "1", "1.80 A"),
        (200, "running", None, "0", "1.80 A"),
        (200, "idle", {"steady": False}, "0", "1.80 A"),
        (90_000, "silent", None, "0", "1.80 A, 25 h ago"),
    ],
)
def test_a_reading_that_is_not_of_now_says_how_old_it_is(
    ago: float, state: str, rhythm: dict[str, object] | None, online: str, told: str
) -> None:
    spoke = None if rhythm is None else {"every": 10.0, "longest": 11.0, "on_change": True, "count": 9} | rhythm
    heard = small_shop().say("online", online)
    heard.say("tool/band_saw", tool(state, 1.8, reading_at=stamp(NOON - ago), rhythm=spoke))
    for width in (40, 60, 80, 120):
        row = next(line for line in heard.lines(width, None) if line.startswith("band saw"))
        assert " ".join(row.split()).startswith(f"band saw {shown_state('tool', state)} {told}")
        assert ("ago" in row) is ("ago" in told)


def test_a_reason_that_a_live_screen_has_no_room_for_ends_in_dots_after_a_whole_word() -> None:
    heard = small_shop().say("collector/main", collector("off", because="reason " * 40))
    for width in range(40, 130):
        *_, last = [line for line in heard.lines(width) if "reason" in line]
        assert last.endswith(" reason ..")
        assert wide(last) <= width


def test_what_has_not_ended_never_ends_in_0_s() -> None:
    heard = small_shop().say("tool/band_saw", tool("run_on", run_on_ends=stamp(NOON + 0.2)))
    heard.say("collector/main", collector("run_on", until=stamp(NOON + 0.2)))
    assert "run-on 1 s" in heard.text()
    assert "off in 1 s" in heard.text()


def test_no_color_in_the_environment_takes_every_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("rich")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert console(plain=False).no_color is False
    monkeypatch.setenv("NO_COLOR", "1")
    assert console(plain=False).no_color is True


def test_no_name_state_or_number_that_may_come_breaks_a_screen() -> None:
    for seed in range(SEED, SEED + COUNT // 4):
        draw = Odd(seed)
        heard = draw.shop()
        for height in (None, draw.randint(8, 60)):
            width = draw.randint(40, 200)
            lines = heard.lines(width, height)
            assert max(map(wide, lines)) <= width, (seed, width, height)
            assert height is None or len(lines) <= height, (seed, width, height)


class Odd(Random):
    """A shop of which somebody says what no daemon says, by its seed."""

    PARTS = (
        *("", "a", " ", "..", " ; ", ": ", "\u0301", "\u200d", "\ufe0f", "鋸", "\U0001fa9a", "x" * 70, "\u00a0", "-"),
        *("\u3000", "0", "²", "٣", "\u1160", " ago", "12 s"),
    )
    NUMBERS = (0.0, 1e-9, 2.5, -5e6, 1e15, 1e300)

    def word(self, *known: str) -> str:
        return self.choice((*known, "".join(self.choices(self.PARTS, k=self.randint(0, 6)))))

    def shop(self) -> Heard:
        heard = Heard().say("online", self.choice("10"))
        for _ in range(self.randint(0, 4)):
            facts: dict[str, Any] = {"held": self.word(), "running": [self.word()], "run_on_until": stamp(NOON + 0.1)}
            heard.say(f"collector/{self.word()}", collector(self.word("held"), because=self.word(), **facts))
        for _ in range(self.randint(0, 20)):
            limits = {"start_amps": self.choice(self.NUMBERS), "stop_amps": self.choice(self.NUMBERS)}
            facts = {"reading_at": stamp(NOON - self.choice((-50, 1e6))), "run_on_ends": stamp(NOON + 1e7)}
            heard.say(f"tool/{self.word()}", tool(self.word("silent"), self.choice(self.NUMBERS), **facts) | limits)
            heard.say(f"gate/{self.word()}", gate(self.word("open"), hand=True, hand_ends=stamp(NOON + 1e6)))
        for _ in range(self.randint(0, 5)):
            heard.say(f"alarm/{self.word()}", alarm(self.word()))
        return heard
