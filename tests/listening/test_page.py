"""What a person reads, and a program: the likely ones first, 80 columns, nothing that a terminal would obey."""

import json
import tomllib
from pathlib import Path

import pytest
from listening_support import heard

from gatehand.config import Config
from gatehand.config.load import load_text
from gatehand.listening.cycles import Switched
from gatehand.listening.facts import as_json
from gatehand.listening.observed import Limits, Listening
from gatehand.listening.page import FEW, Heard, text
from gatehand.listening.roles import known
from gatehand.listening.watched import followers
from gatehand.listening.watched_page import watched_text
from gatehand.listening.watching import Watched
from gatehand.terminal import wide

CONFIG = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
[gate.saw]
command = { topic = "g/set", open = "open", shut = "shut" }
[tool.saw]
gates = ["saw"]
power = { topic = "saw/meter", pointer = "/power" }
start_watts = 100
"""


def config() -> Config:
    found = load_text(CONFIG, Path("made.toml")).config
    assert found is not None
    return found


def everything() -> Listening:
    found = heard(
        (0.1, "bench/note", "held", True), (0.1, "camera", b"\xff\xd8", True), (0.1, "fw", b"x" * 70_000, True)
    )
    for at in range(1, 40):
        found.take("saw/meter", json.dumps({"power": at, "energy": at, "error": None}).encode(), False, at)
        found.take("jointer/amps", b"0.2", False, at)
        found.take("house/\u202eligh\u0301t/機械機械", b"\x1b[31mred" if at % 2 else b"plain", False, at)
        found.take("c/set", b"1", False, at)
        found.take("gatehand/tool/saw", b'{"state": "idle"}', False, at)
    return found


def topics_of(lines: list[str]) -> list[str]:
    """In order, without the opening."""
    return [line for line in lines[lines.index("") :] if line and not line.startswith(" ")]


def page(listening: Listening, width: int = 80, *, whole: bool = False, of: Config | None = None) -> list[str]:
    return list(text(Heard(listening, known(of, "gatehand"), "127.0.0.1:1883", 40.0), width, whole=whole))


@pytest.mark.parametrize("width", [80, 100, 132])
def test_it_fits_and_holds_nothing_that_a_terminal_would_obey(width: int) -> None:
    for line in page(everything(), width):
        assert line.isprintable(), line
        assert wide(line) <= width or "= {" in line, line


def test_likely_sensors_come_first_then_words_then_what_is_odd() -> None:
    topics = topics_of(page(everything()))
    assert topics[:2] == ["jointer/amps", "saw/meter"]
    assert topics[-2:] == ["camera", "fw"]


def test_what_the_config_uses_stands_last_and_says_by_whom() -> None:
    lines = page(everything(), of=config())
    topics = topics_of(lines)
    assert topics[-2:] == ["c/set", "saw/meter"]
    assert "    used by tool.saw power" in lines
    assert "  collector.main command: commands go there; it is not a sensor" in lines
    assert not any("power = {" in line for line in lines)


def test_the_daemons_own_topics_are_counted_and_not_shown() -> None:
    lines = page(everything())
    assert not any("gatehand/tool" in line for line in lines)
    assert "1 topic of the daemon itself is not shown." in " ".join(lines[:3])


def test_every_line_for_the_config_is_whole_whatever_the_width() -> None:
    lines = [line.strip() for line in page(everything(), 80) if " = {" in line]
    assert lines == ['current = { topic = "jointer/amps" }', 'power = { topic = "saw/meter", pointer = "/power" }']
    assert all(tomllib.loads(line) for line in lines)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("spinning", "still"), 'running = { topic = "a/run", active = "still", clear = "spinning" }'),
        (("open", "closed"), 'running = { topic = "a/run", active = "closed", clear = "open" }'),
        (("ON", "OFF"), 'running = { topic = "a/run", active = "ON", clear = "OFF" }'),
    ],
)
def test_a_contact_of_any_two_words_has_its_line(words: tuple[str, str], line: str) -> None:
    lines = [one.strip() for one in page(heard((0.1, "a/run", words[0], True), (5.0, "a/run", words[1])))]
    assert [one.partition("  #")[0] for one in lines if one.startswith("running")] == [line]
    assert tomllib.loads(line)


def test_the_counts_of_a_topic_and_of_its_words_agree() -> None:
    lines = " ".join(page(heard((0.1, "a/run", "closed", True), (5.0, "a/run", "closed"))))
    assert "heard 2 times, 1 of them kept by the broker: too few" in lines
    assert '"closed" x 2' in lines


def test_more_topics_than_a_person_reads_are_counted_unless_all_are_asked_for() -> None:
    many = heard(*((at / 100, f"t/{at:03}", "1") for at in range(100)))
    assert sum(line.startswith("t/") for line in page(many)) == FEW
    assert page(many)[-1].startswith("And 60 more topics: --all shows them")
    assert sum(line.startswith("t/") for line in page(many, whole=True)) == 100


def test_topics_that_are_not_kept_are_told_by_their_first_level() -> None:
    found = Listening(Limits(topics=2))
    for at in range(50):
        found.take(f"site/{at}", b"1", False, at)
    assert "More topics than can be kept: about 48 below site/ were only counted" in " ".join(page(found))


def test_programs_get_the_same_and_it_is_json() -> None:
    heard_all = Heard(everything(), known(config(), "gatehand"), "127.0.0.1:1883", 40.0, ("gone",), "config.toml")
    facts = json.loads(json.dumps(as_json(heard_all, None, 0.0), allow_nan=False))
    assert (facts["own_topics"], facts["lost"], facts["config"]) == (1, ["gone"], "config.toml")
    topics = {one["topic"]: one for one in facts["topics"]}
    power = {one["pointer"]: one for one in topics["saw/meter"]["values"]}["/power"]
    assert (power["kind"], power["measure"], power["low"], power["high"]) == ("number", "watts", 1, 39)
    assert power["used_by"] == ["tool.saw power"]
    assert topics["camera"]["values"][0]["kind"] == "binary"
    assert topics["c/set"]["told_here"] == ["collector.main command"]


def watched(payload: str, on: str, off: str, every: float = 1.0) -> Watched:
    listening, at = Listening(), 0.5
    while at < 90:
        listening.take("saw", (payload % (on if 30 <= at < 60 else off)).encode(), False, at)
        at += every
    done = Switched(28, 31, 58, 61)
    return Watched("band saw", (done,), (*followers(listening, [done], 90),))


def test_the_table_of_a_watched_machine_is_taken_by_the_config() -> None:
    for payload, on, off, start in (
        ('{"power": %s}', "1180.5", "2.1", "start_watts"),
        ('{"current": %s}', "6.4", "0.1", "start_amps"),
        ('{"state": "%s"}', "ON", "OFF", ""),
    ):
        lines = list(watched_text(watched(payload, on, off), known(None, "gatehand"), 80))
        table = "\n".join(lines[lines.index("[tool.band_saw]") :])
        loaded = load_text(
            CONFIG.replace("[tool.saw]", "[tool.other]").replace("saw/meter", "o")
            + table.replace('"band_saw"', '"saw"'),
            Path("made.toml"),
        )
        assert loaded.config is not None, (table, loaded.problems)
        assert start in table
        assert "followed" in lines[0]


def test_a_machine_that_nothing_followed_is_told_with_what_to_look_at() -> None:
    nothing = Watched("band saw", (Switched.at(1, 2),), ())
    assert "Nothing followed the band saw." in " ".join(watched_text(nothing, known(None, "gatehand"), 80))


def test_a_signal_that_the_config_has_already_is_told() -> None:
    found = watched('{"power": %s}', "1180.5", "2.1")
    uses = known(config(), "gatehand")
    uses = type(uses)({("saw", "/power"): ("tool.saw power",)}, {}, uses.is_own)
    assert "the config has it already: tool.saw power" in " ".join(watched_text(found, uses, 80))
