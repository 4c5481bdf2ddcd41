"""Calibration at the board's console: two loads that fit give the lines for the settings, all else gives a reason."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from role_bench import module
from sensor_bench import ADC, AMPS_PER_VOLT, POLL_US, Mains, settings_of, started


class Person:
    """Somebody at the board's console: switches loads as asked, and answers."""

    def __init__(self, mains: Mains, loads: list[tuple[float, list[str]]]) -> None:
        self.lines: list[str] = []
        self._mains = mains
        self._loads = loads
        self._answers: list[str] = []

    def ask(self, question: str) -> str:
        self.lines.append(question)
        if question.startswith(("The first load", "The second load")) and not self._answers:
            self._mains.amps, answers = self._loads.pop(0)
            self._answers = list(answers)
        return self._answers.pop(0) if self._answers else ""

    def tell(self, line: str) -> None:
        self.lines.append(line)


def calibrated(
    folder: Path,
    mains: Mains,
    loads: list[tuple[float, list[str]]],
    written: dict[str, Any] | str | None = None,
    poll_us: int = POLL_US,
) -> list[str]:
    """What calibrate.py says, with a clamp of 20 A a volt and such loads; the settings stay as they were."""
    file = folder / "settings.json"
    text = written if isinstance(written, str) else json.dumps(written or settings_of({"amps_per_volt": None}))
    file.write_text(text)
    world = module("world").fresh()
    world.waves[ADC] = mains

    def ticks_us() -> int:
        world.now_us += poll_us
        return int(world.now_us) % (1 << 30)

    person = Person(mains, loads)
    module("calibrate").run(str(file), person.ask, person.tell, ticks_us)
    assert file.read_text() == text
    assert list(folder.iterdir()) == [file]
    return person.lines


def test_two_known_loads_give_the_lines_for_the_settings(tmp_path: Path) -> None:
    mains = Mains()
    mains.bias, mains.noise = 1.62, 0.01
    lines = calibrated(tmp_path, mains, [(5.0, ["what", "5,0 A", ""]), (10.0, ["1150 W 115 V", "none", "1"])])
    assert "licensed electrician" in lines[0]
    assert "ONE insulated conductor" in lines[0]
    assert any(line.startswith("That was not understood") for line in lines)
    found = json.loads("{" + lines[-1].rstrip(",") + "}")
    assert found == {
        "amps_per_volt": pytest.approx(AMPS_PER_VOLT, rel=0.01),
        "zero": pytest.approx(1.62, abs=0.001),
        "noise": pytest.approx(0.01, rel=0.05),
    }
    bench = started(mains, found)
    mains.amps = 3.0
    bench.go(2000)
    assert bench.readings()[-1]["amps"] == pytest.approx(3.0, rel=0.02)


def test_a_conductor_that_passes_several_times_counts_so_often(tmp_path: Path) -> None:
    lines = calibrated(tmp_path, Mains(hz=60), [(10.0, ["2", "5"]), (20.0, ["4 A", "5"])])
    assert lines[-1].startswith('"amps_per_volt": 20')
    assert "The mains has 60.0 Hz." in lines


def test_a_switchs_own_clamp_is_calibrated_too(tmp_path: Path) -> None:
    written = {"role": "switch", "hardware": {"relay": 2, "watchdog_ms": 0, "clamp": {"adc": ADC, "line_hz": 50}}}
    assert calibrated(tmp_path, Mains(), [(3.0, ["3"]), (6.0, ["6"])], written)[-1].startswith('"amps_per_volt": 20')


class Wandering(Mains):
    """A load that is not steady."""

    def __call__(self, us: int) -> int:
        steady, self.amps = self.amps, self.amps * (1 + 0.05 * math.sin(us * 2e-6))
        value = super().__call__(us)
        self.amps = steady
        return value


@pytest.mark.parametrize(
    ("mains", "loads", "why"),
    [
        (Mains(), [(5.0, ["5"]), (6.0, ["6"])], "the loads are too much alike"),
        (Mains(), [(5.0, ["5"]), (9.0, ["10"])], "look whether the jaws are shut"),
        (Mains(), [(5.0, ["5"]), (40.0, ["40"])], "beyond the converter's range"),
        (Mains(), [(0.0, ["5"]), (0.0, ["10"])], "hardly above the noise"),
        (Wandering(), [(5.0, ["5"]), (10.0, ["10"])], "not steady"),
    ],
)
def test_loads_that_do_not_fit_give_no_number(
    tmp_path: Path, mains: Mains, loads: list[tuple[float, list[str]]], why: str
) -> None:
    last = calibrated(tmp_path, mains, loads)[-1]
    assert last.startswith("Not calibrated: ")
    assert why in last


@pytest.mark.parametrize(
    ("written", "why"),
    [
        ("{", "this is no JSON"),
        (settings_of({"watchdog_ms": 8000}), "set watchdog_ms to 0"),
        (settings_of({"watchdog_ms": None}), "set watchdog_ms to 0"),
        (settings_of({"adc": None}), "adc is missing"),
    ],
)
def test_settings_that_do_not_do_are_said(tmp_path: Path, written: dict[str, Any] | str, why: str) -> None:
    assert why in calibrated(tmp_path, Mains(), [], written)[-1]


def test_an_input_without_its_bias_or_a_board_too_slow_is_not_calibrated(tmp_path: Path) -> None:
    broken = Mains()
    broken.bias = 0.0
    assert "look at its bias and its plug" in calibrated(tmp_path, broken, [])[-1]
    assert "too few samples" in calibrated(tmp_path, Mains(), [], poll_us=1300)[-1]


@pytest.mark.parametrize(
    ("answer", "amps"),
    [
        ("5.2", 5.2),
        ("5,2A", 5.2),
        (" 5.2 a ", 5.2),
        ("1200W 240V", 5.0),
        ("230 V 1150 W", 5.0),
        ("", None),
        ("0", None),
        ("-3", None),
        ("A", None),
        ("1200 W", None),
        ("230 V", None),
        ("5 A 230 V", None),
        ("5 A 1150 W", None),
        ("5 A 1150 W 230 V", None),
        ("5 6", None),
        ("5 A 6", None),
        ("5 A 6 A", None),
        ("nan", None),
        ("1e9", None),
        ("five", None),
    ],
)
def test_only_a_clear_answer_is_taken_for_amps(answer: str, amps: float | None) -> None:
    assert module("calibrate").amps_of(answer) == (amps if amps is None else pytest.approx(amps))
