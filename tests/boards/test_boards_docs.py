"""deploy/boards/README.md says what the programs do, and its drawings can be read: on a phone, in grey, aloud."""

import ast
import json
import re
from collections.abc import Iterator
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple
from xml.etree import ElementTree as ET

import pytest

from gatehand.cli import main
from gatehand.svg import text_width

BOARDS: Final = Path(__file__).resolve().parents[2] / "deploy" / "boards"
README: Final = (BOARDS / "README.md").read_text("utf-8")
DRAWINGS: Final = ("gate", "switch", "sensor", "contact")
PHONE: Final = 360.0
"""Px across a small phone."""
PLATE: Final = (2.5, "")
"""A capacitor's plates and a contact's arms are symbols, no wires."""
HARDWARE: Final = {
    "all": {"watchdog_ms", "led"},
    "gate": {
        *("servo", "open_angle", "shut_angle", "degrees_per_s", "pulse_us", "settle_ms"),
        *("button", "open_switch", "shut_switch"),
    },
    "switch": {"relay", "relay_on", "feedback", "timer", "clamp"},
    "sensor": {"adc", "amps_per_volt", "full_scale_volts", "zero", "noise", "line_hz", "deadband", "every_ms"},
    "contact": {"pins"},
}


class Box(NamedTuple):
    """Px."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: "Box") -> bool:
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )

    def holds(self, other: "Box") -> bool:
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )


class Label(NamedTuple):
    text: str
    box: Box
    size: float
    fill: str


class Line(NamedTuple):
    points: list[tuple[float, float]]
    width: float
    dash: str
    stroke: str

    def boxes(self) -> Iterator[Box]:
        """Of each stretch, with the line's width."""
        half = self.width / 2
        for (ax, ay), (bx, by) in pairwise(self.points):
            yield Box(min(ax, bx) - half, min(ay, by) - half, max(ax, bx) + half, max(ay, by) + half)


class Drawing:
    """A drawing read back. It is flat: shapes and text stand right below its root."""

    def __init__(self, text: str) -> None:
        self.root = ET.fromstring(text)  # noqa: S314 - we drew it
        self.width, self.height = (float(part) for part in self.root.attrib["viewBox"].split()[2:])
        self.labels: list[Label] = []
        self.lines: list[Line] = []
        self.rings: list[tuple[Box, str, str]] = []
        self.rects: list[tuple[Box, str, str]] = []
        for node in self.root:
            self._take(node.tag.rpartition("}")[2], node)

    def _take(self, kind: str, node: ET.Element) -> None:
        at = node.attrib
        if kind == "text" and at.get("aria-hidden") != "true":
            size, words = float(at["font-size"]), node.text or ""
            x, y, wide = float(at["x"]), float(at["y"]), text_width(words, size, bold="font-weight" in at)
            left = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[at["text-anchor"]]
            self.labels.append(Label(words, Box(left, y - 0.77 * size, left + wide, y + 0.24 * size), size, at["fill"]))
        elif kind == "polyline":
            pairs = (pair.split(",") for pair in at["points"].split())
            points = [(float(x), float(y)) for x, y in pairs]
            self.lines.append(Line(points, float(at["stroke-width"]), at.get("stroke-dasharray", ""), at["stroke"]))
        elif kind == "circle":
            x, y, r = (float(at[key]) for key in ("cx", "cy", "r"))
            r += float(at["stroke-width"]) / 2
            self.rings.append((Box(x - r, y - r, x + r, y + r), at["fill"], at["stroke"]))
        elif kind == "rect":
            x, y, wide, high = (float(at[key]) for key in ("x", "y", "width", "height"))
            self.rects.append((Box(x, y, x + wide, y + high), at["fill"], at.get("stroke", "none")))

    def legend(self) -> list[Line]:
        """The specimens beside the legend's words."""
        return [line for line in self.lines if line.points[0][0] == 14]

    def ground(self, label: Label) -> str:
        """The colour behind a label."""
        return [fill for box, fill, _ in self.rects if box.holds(label.box)][-1]


@cache
def drawing(name: str) -> Drawing:
    return Drawing((BOARDS / f"wiring-{name}.svg").read_text("utf-8"))


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, WCAG 2.2 [pub]."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_is_read_aloud_in_words_of_its_own(name: str) -> None:
    root = drawing(name).root
    assert root.get("role") == "img"
    assert [node.tag.rpartition("}")[2] for node in root][:2] == ["title", "desc"]
    assert root[0].text == f"Wiring of the {name} board"
    told = root[1].text or ""
    pins = {label.text for label in drawing(name).labels} & set().union(*HARDWARE.values())
    assert pins or name == "contact"
    assert all(pin in told for pin in pins)
    assert "ground" in told
    assert ("licensed electrician" in told.lower()) == (name != "gate")


@pytest.mark.parametrize("name", DRAWINGS)
def test_no_labels_overlap_and_all_lie_on_the_sheet_and_can_be_read_on_a_phone(name: str) -> None:
    sheet = drawing(name)
    assert len(sheet.labels) >= 15
    paper = Box(0, 0, sheet.width, sheet.height)
    for label in sheet.labels:
        assert label.size * PHONE / sheet.width >= 9, label.text
        assert paper.holds(label.box), label.text
    for one, other in combinations(sheet.labels, 2):
        assert not one.box.meets(other.box), (one.text, other.text)
    assert max(box.right for box, _, _ in sheet.rects) <= sheet.width


def crowded(sheet: Drawing) -> list[str]:
    """Labels that hang over the edge of the topmost box below them, or that a line or a ring runs into."""
    found = []
    for label in sheet.labels:
        below = [box for box, _, _ in sheet.rects if box.meets(label.box)]
        # A slanting arm of a contact takes its whole box here: that is more than it needs.
        near = [part for line in sheet.lines for part in line.boxes()] + [ring for ring, _, _ in sheet.rings]
        if not below[-1].holds(label.box) or any(part.meets(label.box) for part in near):
            found.append(label.text)
    return found


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_label_fits_into_its_box_and_no_line_runs_through_it(name: str) -> None:
    assert crowded(drawing(name)) == []


def test_a_label_that_is_too_long_or_in_the_way_of_a_line_is_found() -> None:
    text = (BOARDS / "wiring-gate.svg").read_text("utf-8")
    assert crowded(Drawing(text.replace(">servo<", ">the servo's pin<"))) == ["the servo's pin"]
    assert crowded(Drawing(text.replace(">330 Ω<", ">about 330 Ω or so, for the signal<"))) != []
    assert crowded(Drawing(text.replace(">3.3 V<", ">3.3 V of the board<"))) == []


@pytest.mark.parametrize("name", DRAWINGS)
def test_words_and_lines_stand_out_and_colour_says_nothing_by_itself(name: str) -> None:
    """4.5 for text, 3 for what a picture needs to be understood: WCAG 2.2, 1.4.3 and 1.4.11 [pub]."""
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    sheet = drawing(name)
    assert min(contrast(label.fill, sheet.ground(label)) for label in sheet.labels) >= 4.5
    inks = {line.stroke for line in sheet.lines} | {ink for _, _, ink in (*sheet.rects, *sheet.rings)} - {"none"}
    fills = {fill for _, fill, _ in sheet.rects}
    assert min(contrast(ink, fill) for ink in inks for fill in fills) >= 3
    looks = [(line.width, line.dash) for line in sheet.legend()]
    assert len(set(looks)) == len(looks) >= 2
    assert {(line.width, line.dash) for line in sheet.lines} - {PLATE} == set(looks)
    # Light grounds, so that a sheet printed in black and white loses nothing.
    assert all(luminance(fill) > 0.8 for fill in fills)


def section(heading: str) -> str:
    """What stands below a heading, up to the next of its rank."""
    marks = heading.partition(" ")[0]
    return re.split(rf"^{marks} ", README.partition(f"\n{heading}\n")[2], flags=re.MULTILINE)[0]


def rows(text: str) -> list[list[str]]:
    """Cells of its tables, without the heads' rules."""
    lines = [line for line in text.splitlines() if line.startswith("| ") and not line.startswith("| ---")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def test_every_key_of_the_hardware_is_explained_once_under_its_board() -> None:
    told: dict[str, set[str]] = {}
    for keys, board, words in rows(section("## The settings: `gatehand boards`"))[1:]:
        assert words
        for key in re.findall(r"`(\w+)`", keys):
            assert key not in told.setdefault(board, set()), key
            told[board].add(key)
    assert told == HARDWARE


def test_the_settings_that_it_shows_are_json_of_known_keys() -> None:
    (shown,) = re.findall(r"^```json\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    settings = json.loads("{" + shown + "}")
    assert settings["hardware"].keys() == HARDWARE["gate"] | HARDWARE["all"]
    assert settings["hardware"]["watchdog_ms"] == 8000


def programs() -> str:
    return "\n".join(path.read_text("utf-8") for path in sorted(BOARDS.glob("*.py")))


def test_the_keys_are_those_that_the_programs_read() -> None:
    sources = programs()
    read = set(re.findall(r"""(?:hardware|table\("hardware"\))(?:\.\w+\(|, )"(\w+)\"""", sources))
    if 'hardware, end + "_switch"' in sources:
        read |= {"open_switch", "shut_switch"}
    assert read == set().union(*HARDWARE.values())


@pytest.fixture(name="written")
def written_(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, tuple[dict[str, Any], set[str]]]:
    """What `gatehand boards` writes for the example's shop: settings and programs, by the board's name."""
    out = tmp_path / "boards"
    config = BOARDS.parents[1] / "config.example.toml"
    main(["boards", "--config", str(config), "--broker", "192.168.1.10", "--out", str(out), "--json"])
    boards = json.loads(capsys.readouterr().out)["boards"]
    return {
        board["name"]: (json.loads((out / board["name"] / "settings.json").read_text("utf-8")), set(board["programs"]))
        for board in boards
    }


def test_the_keys_are_those_that_the_command_writes(written: dict[str, tuple[dict[str, Any], set[str]]]) -> None:
    assert {settings["role"] for settings, _ in written.values()} == set(DRAWINGS)
    for settings, _ in written.values():
        role, hardware = settings["role"], settings["hardware"]
        assert hardware.keys() <= HARDWARE[role] | HARDWARE["all"]
        # Noise is what a calibration adds.
        assert HARDWARE[role] | HARDWARE["all"] <= hardware.keys() | {"noise"}
        assert (hardware.get("clamp") or {}).keys() <= HARDWARE["sensor"]


def test_the_folders_that_it_names_are_those_that_the_command_makes(
    written: dict[str, tuple[dict[str, Any], set[str]]],
) -> None:
    named = set(
        re.findall(
            r"`((?:gate|collector|tool|stop|bin_full|reset)-\w+)`", section("## The settings: `gatehand boards`")
        )
    )
    assert len(named) >= 6
    assert named - {"reset-main"} <= written.keys()  # the example has no reset button


def wanted(program: str, *, everything: bool) -> set[str]:
    """The files that a program loads, with its own; `everything`: also what it loads only where it is needed."""
    found, left = set(), [program]
    while left:
        found.add(name := left.pop())
        tree = ast.parse((BOARDS / name).read_text("utf-8"))
        for node in ast.walk(tree) if everything else tree.body:
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [one.name for one in node.names] if isinstance(node, ast.Import) else []
            left += [f"{one}.py" for one in modules if (BOARDS / f"{one}.py").exists() and f"{one}.py" not in found]
    return found


def test_the_files_that_are_told_for_a_board_are_all_that_it_loads(
    written: dict[str, tuple[dict[str, Any], set[str]]],
) -> None:
    table = {row[0]: set(re.findall(r"`(\w+\.py)`", row[1])) for row in rows(section("## MicroPython and the files"))}
    for settings, programs_ in written.values():
        role, clamp = settings["role"], "amps" in settings
        assert settings["broker"]["tls"] is None  # so that it loads no encryption
        loads = wanted("main.py", everything=False) | wanted(f"{role}.py", everything=clamp) - {"secure.py"}
        assert loads <= programs_, role
        told = set().union(*(files for roles, files in table.items() if roles == "all" or role in roles.split(", ")))
        assert loads <= told, role


def test_every_line_of_the_console_is_one_that_a_program_prints() -> None:
    lines = [row[0].strip("`") for row in rows(section("## The console and the LED"))[1:]]
    assert len(lines) >= 7
    sources = programs()
    for line in lines:
        for part in re.split(r"\.\.\.|: ", line):
            words = part.strip("; ")
            assert not words or words in sources, line


def test_what_a_broker_says_to_a_wrong_password_and_to_a_second_board_of_one_login_is_explained() -> None:
    lines = {row[0].strip("`"): row[1] for row in rows(section("## The console and the LED"))[1:]}
    # Mosquitto answers a wrong password so (code 5), other brokers by code 4 (MQTT 3.1.1, section 3.2.2.3).
    assert "password" in lines["the broker refuses: this login may not connect"]
    assert "the broker refuses: wrong user name or password" in lines
    assert "the broker ends each connection: has another board the same settings.json?" in lines


def test_every_file_that_a_board_wants_is_there() -> None:
    named = set(re.findall(r"`(\w+\.py)`", section("## MicroPython and the files")))
    copied = {word for word in README.split() if re.fullmatch(r"\w+\.py", word)}
    assert named | copied == {path.name for path in BOARDS.glob("*.py")}


def test_the_cautions_come_first_and_again_where_the_work_is() -> None:
    first, second = re.findall(r"^## (.*)$", README, re.MULTILINE)[:2]
    assert (first, second) == ("Before anything else", "What each board does")
    top = " ".join(section("## Before anything else").split())
    for words in (
        *("No board is a safety device", "licensed electrician's work", "Local codes decide", "contactor with a coil"),
        *("hobby relay", "emergency stop is wired", "Lockout", "one insulated conductor", "harms the lungs", "static"),
    ):
        assert words in top, words
    for board, words in (
        ("Gate", "Hands, tools and hoses out of the gate"),
        ("Switch", "licensed electrician's work"),
        ("Sensor", "power off, locked"),
        ("Contact", "licensed electrician's"),
    ):
        assert words in section(f"### {board}"), board


def test_the_amps_of_motors_are_the_tables() -> None:
    """Full-load amps of single-phase motors at 115 and 230 V [pub: NEC table 430.248]."""
    parts = section("## Parts")
    power, low, high = (row[1:] for row in rows(parts)[-3:])
    published = {
        "1/2": (9.8, 4.9),
        "3/4": (13.8, 6.9),
        "1": (16, 8),
        "1 1/2": (20, 10),
        "2": (24, 12),
        "3": (34, 17),
        "5": (56, 28),
    }
    assert dict(zip(power, zip(map(float, low), map(float, high), strict=True), strict=True)) == published
    assert "NEC table 430.248" in parts


def test_each_part_says_where_its_rating_is_from() -> None:
    table = [row for row in rows(section("## Parts")) if len(row) == 4]
    assert len(table) >= 15
    assert all(row[3] for row in table)
    assert "no published source" in section("## Parts")


def test_every_drawing_is_shown_with_words_in_its_stead() -> None:
    shown = {file: words for words, file in re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", README)}
    assert shown.keys() == {f"wiring-{name}.svg" for name in DRAWINGS}
    assert all(len(words) > 40 for words in shown.values())
    assert {path.name for path in BOARDS.glob("*.svg")} == shown.keys()
