"""How small a recording is: the figure that documents give is measured here."""

import random
from pathlib import Path

import pytest
from journal_support import FakeClock
from msgspec.structs import replace
from readings_support import CNC, TOOLS, cnc, interleaved, read, record, saw

from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import BYTES_PER_READING, recordings
from gatehand_rules.events import Event

CONFIG = "# an hour's head carries the whole config\n" + "\n".join(
    f"[tool.tool_{n}]\nstart_amps = 2.{n}" for n in range(99)
)


def packed(folder: Path, events: list[tuple[int, Event]]) -> float:
    """Bytes a reading, heads included."""
    log = Recorder(folder, run="run1", clock=FakeClock(), threaded=False)
    log.begin(CONFIG, TOOLS, ())
    record(log, events)
    log.close(events[-1][0], "full")
    assert read(folder) == events
    return sum(listed.size for listed in recordings(folder)) / len(events)


@pytest.mark.parametrize("resolution_ma", [1, 10])
def test_a_reading_of_a_noisy_saw_takes_what_the_documents_say(tmp_path: Path, resolution_ma: int) -> None:
    rng = random.Random(5)
    size = packed(tmp_path, interleaved(rng, [saw(rng, 4 * 3600, resolution_ma) for _ in TOOLS], 1))
    print(f"saw, {resolution_ma} mA: {size:.2f} bytes a reading")
    assert size <= BYTES_PER_READING
    assert size > BYTES_PER_READING / 2, "the documents' figure is far from what is measured"


def test_a_reading_that_is_surely_new_takes_no_more(tmp_path: Path) -> None:
    rng = random.Random(5)
    plain = interleaved(rng, [saw(rng, 2 * 3600, 1) for _ in TOOLS], 1)
    young = [(ms, replace(event, young=True)) for ms, event in plain]
    assert packed(tmp_path / "young", young) <= packed(tmp_path / "plain", plain) + 0.01


@pytest.mark.skipif(not CNC.is_dir(), reason=f"the mill's readings are not here ({CNC}); set GATEHAND_DATA")
@pytest.mark.parametrize("hertz", [1, 10])
def test_a_reading_of_a_real_mill_takes_six_bytes_or_fewer(tmp_path: Path, hertz: int) -> None:
    events = interleaved(random.Random(5), cnc(hertz), hertz)
    whole = packed(tmp_path / "all", events)
    head = packed(tmp_path / "one", events[:1])
    net = whole - head / len(events)
    print(f"mill, {hertz} Hz: {net:.2f} bytes a reading of {len(events)}, and {head:.0f} for the file's head")
    assert net <= 6


def test_two_hundred_megabytes_hold_months_of_ten_tools() -> None:
    assert 200e6 / (BYTES_PER_READING * 10 * 86_400) > 120
