"""A year of logs: `why --at` answers within a second and `report` within ten, of one core's time."""

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest
from support.made_year import make_year

pytestmark = pytest.mark.slow
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_year(tmp_path_factory.mktemp("year") / "shop")


def gatehand(config: Path, *args: str) -> tuple[str, float]:
    """What a command of its own process says, and the processor time that it took."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    paths = os.pathsep.join(str(ROOT / part) for part in ("rules", "daemon"))
    done = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-m", "gatehand", *args, "--config", str(config)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": paths, "TZ": "UTC"},
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in {0, 1}, done.stderr
    return done.stdout, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_the_year_is_a_year(year: Path) -> None:
    lines = sum(path.read_bytes().count(b"\n") for path in (year.parent / "log").glob("events-*.jsonl"))
    assert lines > 400_000
    assert len(list((year.parent / "log").glob("readings-*"))) > 500


@pytest.mark.parametrize(
    "at", ["2025-03-10T08:15:00Z", "2025-09-10T14:20:00Z", "2026-03-05T09:00:00Z", "2025-07-06T12:00:00Z"]
)
def test_why_answers_about_any_moment_within_a_second(year: Path, at: str) -> None:
    said, took = gatehand(year, "why", "band_saw", "--at", at, "--json")
    assert json.loads(said)["subject"] == "band_saw"
    assert took < 1.0, f"{took:.2f} s"


def test_why_answers_about_the_last_missed_cut_within_two_seconds_trials_included(year: Path) -> None:
    said, took = gatehand(year, "why", "band_saw", "--last", "--json")
    found = json.loads(said)
    assert found["would_have_started"]["start_amps"] < 2.5
    assert "start_amps" in found["extra_starts"]
    assert took < 2.0, f"{took:.2f} s"


def test_report_counts_the_year_within_ten_seconds(year: Path) -> None:
    said, took = gatehand(year, "report", "--json")
    found = json.loads(said)
    assert found["working_days"] > 250
    assert found["tools"][0]["cuts"] > 10_000
    assert took < 10.0, f"{took:.2f} s"
