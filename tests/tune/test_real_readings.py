"""Detection of a real mill's spindle, tuned on one half of its experiments and scored on the other.

Everything goes the product's own way: `tune` proposes, `replay --readings --json` detects. Truth is the spindle's own
velocity, measured apart from the current (public domain data; its folder's README names the source).
"""

import csv
import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from mill import COASTS, Experiment, Score, folder, score

from gatehand.cli import main
from gatehand.tune.levels import Levels, gathered, levels
from gatehand.tune.proposed_settings import Thresholds, thresholds

DATA = folder()
pytestmark = pytest.mark.skipif(
    DATA is None, reason="the mill's readings are not here: set GATEHAND_DATA to the folder that holds cnc_spindle"
)
CONFIG = """
[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
state = {{ topic = "shop/fan/state", on = "1", off = "0" }}
[gate.spindle]
command = {{ topic = "shop/gate/spindle/set", open = "open", shut = "shut" }}
[tool.spindle]
gates = ["spindle"]
current = {{ topic = "shop/spindle/amps" }}
run_on = 0
start_amps = {0.start_at}
stop_amps = {0.stop_at}
start_after = {0.start_after}
stop_after = {0.stop_after}
"""


@pytest.fixture(scope="module")
def experiments() -> list[Experiment]:
    assert DATA is not None
    return [Experiment(path) for path in sorted(DATA.glob("experiment_*.csv"))]


def tuned(on: Sequence[Experiment]) -> Thresholds:
    tracks = [one.track for one in on]
    found = levels(gathered(tracks))
    assert isinstance(found, Levels), found
    return thresholds(found, tracks)


def detected(
    experiment: Experiment, settings: Thresholds, place: Path, capsys: pytest.CaptureFixture[str]
) -> tuple[list[float], list[float]]:
    """Starts and stops as `gatehand replay --readings --json` tells them."""
    (place / "config.toml").write_text(CONFIG.format(settings), "utf-8")
    with (place / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("t_s", "tool", "amps"))
        rows.writerows((t_s, "spindle", amps) for t_s, amps in zip(experiment.t_s, experiment.amps, strict=True))
    args = ["replay", "--config", str(place / "config.toml"), "--readings", str(place / "readings.csv"), "--json"]
    assert main(args) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return (
        [one["t_s"] for one in told if one["event"] == "tool_started"],
        [one["t_s"] for one in told if one["event"] == "tool_stopped"],
    )


@pytest.mark.parametrize("half", [0, 1], ids=["tuned on the first half", "tuned on the second half"])
def test_starts_and_stops_of_a_real_spindle_are_found_with_what_tune_proposes_from_the_other_half(
    half: int, experiments: list[Experiment], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tuned(experiments[half::2])
    total = Score()
    lines = []
    for experiment in experiments[1 - half :: 2]:
        one = score(experiment, *detected(experiment, settings, tmp_path, capsys))
        total.add(one)
        lines.append(_row(experiment.path.stem, one))
    with capsys.disabled():
        print(
            f"\ntuned on {', '.join(one.path.stem[-2:] for one in experiments[half::2])}: start_amps "
            f"{settings.start_at:g}, stop_amps {settings.stop_at:g}, start_after {settings.start_after:g}, "
            f"stop_after {settings.stop_after:g}\n{'':<15}  starts  found  invented  stops  found"
        )
        print("\n".join([*lines, _row("together", total)]))
    assert total.starts > 40
    assert total.stops > 40
    never_driven = [
        (where, span) for where, span in total.missed if max(where.amps_between(span.start, span.start + 1)) < 1
    ]
    assert total.missed == never_driven, "missed only where the spindle was turned without any current"
    assert len(total.missed) <= 1
    for where, span in total.stops_missed:
        before = where.amps_between(span.start - 1, span.start)
        assert max(before) < 1, (
            f"{where.path.stem}: the stop at {span.start} s was missed though the spindle was driven"
        )
    for where, at in total.invented:
        low = sum(1 for amps in where.amps_between(at - COASTS, at) if amps < settings.stop_at)
        assert low >= 8, f"{where.path.stem}: a start at {at} s without the drive having been off for 0.8 s or more"
    assert len(total.invented) <= 0.07 * total.starts


def _row(name: str, one: Score) -> str:
    return f"{name:<15}  {one.starts:6}  {one.found:5}  {len(one.invented):8}  {one.stops:5}  {one.stops_found:5}"


def test_thresholds_of_the_two_halves_agree(experiments: list[Experiment]) -> None:
    first, second = tuned(experiments[::2]), tuned(experiments[1::2])
    assert first.start_at == pytest.approx(second.start_at, rel=0.15)
    assert first.stop_at == pytest.approx(second.stop_at, rel=0.25)


def test_the_score_notices_a_wrong_threshold(
    experiments: list[Experiment], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Above the running level only the inrush is seen: stops are invented and starts missed."""
    settings = Thresholds(50, 45, 0, 0, 1, 1, 1)
    one = score(experiments[1], *detected(experiments[1], settings, tmp_path, capsys))
    assert one.found < one.starts
