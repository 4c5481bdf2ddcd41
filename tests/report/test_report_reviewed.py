"""A whole report as text and as a page, each in a reviewed file; `--rewrite-scenarios` writes them anew."""

from pathlib import Path

import pytest
from report_support import Log

from gatehand.cli import main

HERE = Path(__file__).resolve().parent


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def eventful() -> Log:
    """Three days of two collectors, a tool of an older config, a night without the daemon, and some of everything."""
    log = Log().begin()
    log.say("collector_on", collector="sander", rule="demand").pass_time(300)
    log.say("collector_off", collector="sander", rule="no_demand")
    for _ in range(3):
        log.cut(3000, run_on=600).pass_time(1800)
    log.say("tool_started", tool="lathe", collector="main", rule="start_threshold").pass_time(75)
    log.say("tool_stopped", tool="lathe", collector="main", rule="stop_threshold")
    log.say("daemon_stopped", why="asked to").pass_time(14 * 3600).begin()
    for rule, peak in (("below_start_threshold", 2.1), ("below_start_threshold", 2.2), ("cut_ended_before_gate", 5.0)):
        log.say("start_missed", tool="band_saw", collector="main", rule=rule, peak=peak, lasted=20.0)
    log.say("start_refused", tool="band_saw", collector="main", rule="bin_full", amps=4.0)
    log.say("alarm_raised", tool="band_saw", rule="bin_full", alarm="tool.band_saw.not_fresh")
    log.say("gate_fault", gate="band_saw", rule="travel").say("bin_full", collector="main")
    log.say("reading_rejected", tool="band_saw", rule="bad_value", why="not a number", shown="abc")
    log.say("stop_active", rule="stop_contact", stop="emergency").say("broker_lost", rule="broker")
    log.say("command_vetoed", rule="min_open", command="shut").say("log_gap", lost=3)
    log.say("clock_stepped", by_seconds=0.0).pass_time(86_400)
    return log.cut(90).cut(60).say("daemon_stopped", why="asked to")


@pytest.mark.parametrize("log", [eventful(), Log().begin()], ids=["eventful", "nothing"])
@pytest.mark.parametrize("kind", ["txt", "html"])
def test_a_whole_report_is_as_reviewed(
    log: Log, kind: str, tmp_path: Path, request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]
) -> None:
    config, page = log.write(tmp_path), tmp_path / "page.html"
    assert main(["report", "--config", str(config), *(["--html", str(page)] if kind == "html" else [])]) == 0
    told = capsys.readouterr().out
    if kind == "html":
        assert told == f"{page}: written\n"
        told = page.read_text("utf-8").partition("</style>")[2]
    reviewed = HERE / "reviewed" / f"{request.node.callspec.id.split('-')[1]}.{kind}"
    if request.config.getoption("--rewrite-scenarios"):
        reviewed.write_text(told, "utf-8")
    assert told == reviewed.read_text("utf-8")
