"""The daemon is killed with SIGKILL at random instants, over and over, in the middle of work.

After each restart the state is adopted; the log has no gap but a torn line that it tells of; an outside observer saw no
unsafe command; and in the end everything rests. Twenty kills here; `python -m tests.long kills` plays a hundred.
"""

import json
import os
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from observed_shop import ObservedShop
from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto
from support.quick_shop import BENCH, quick_shop

from gatehand.config import load

pytestmark = [pytest.mark.broker, pytest.mark.slow]

KILLS = int(os.environ.get("GATEHAND_KILLS", "20"))
SEED = int(os.environ.get("GATEHAND_KILLS_SEED", "1"))
SETTLED = 0.7
"""Seconds after a connection in which the daemon has adopted what it found."""

COLLECTOR = """
current = { topic = "shop/fan/amps" }
max_open = 2
"""
JOINTER = """
[gate.planing]
command = { topic = "shop/gate/planing/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/planing/state", pointer = "/position", open = "open", shut = "shut" }
travel = 0.4

[tool.jointer]
gates = ["planing"]
current = { topic = "shop/jointer/amps" }
start_amps = 3
run_on = 0.3
"""
TOOLS = ("band_saw", "jointer", "router")


def live_and_die(folder: Path, observed: ObservedShop, random: Random) -> None:
    """One life: some work, and its end in the middle of it."""
    since, began = observed.online, time.monotonic()
    daemon = RunningDaemon(folder)
    with daemon:
        if random.random() < 0.85:
            wait_until(lambda: observed.online > since, 20, "the daemon is there")
            # Mostly too short for a start: nothing is believed in the first second. One in four lives to see one.
            until = time.monotonic() + (
                random.uniform(0.0, 1.0) if random.random() < 0.75 else random.uniform(2.5, 4.5)
            )
        else:
            until = began + random.uniform(0.0, 0.8)
        while (left := until - time.monotonic()) > 0:
            time.sleep(min(left, random.uniform(0.02, 0.4)))
            if random.random() < 0.6:
                observed.cut(random.choice(TOOLS), on=random.random() < 0.6)
        assert daemon.runs, daemon.said
        daemon.kill()
    observed.daemon_died()


def log_of(folder: Path) -> tuple[dict[str, list[dict[str, Any]]], int, int]:
    """The lines of each run in the order of the file; bytes of torn lines, and bytes that the log tells of."""
    runs: dict[str, list[dict[str, Any]]] = defaultdict(list)
    torn = told = 0
    for path in sorted((folder / "log").glob("events-*.jsonl")):
        for raw in path.read_bytes().split(b"\n"):
            try:
                line = json.loads(raw) if raw else None
            except ValueError:
                torn += len(raw)
                continue
            if line is not None:
                told += line.get("torn_bytes", 0)
                runs[line["run"]].append(line)
    return runs, torn, told


def adopted(lines: list[dict[str, Any]]) -> str | None:
    """What was done about the collector after the start; None: the run did not live so long."""
    connected = [line for line in lines if line["event"] == "broker_connected"]
    if not connected or lines[-1]["mono"] < connected[0]["mono"] + SETTLED:
        return None
    for line in lines:
        if line["event"] == "collector_adopted":
            return "adopted while it turned"
        if line["event"] == "collector_off" and line["rule"] in {"adoption", "no_gate_proven"}:
            return "switched off"
    return "nothing"


def test_killed_over_and_over_in_the_middle_of_work(tmp_path: Path, tell: Callable[[str], None]) -> None:
    random = Random(SEED)
    with Mosquitto() as broker:
        shop = quick_shop(broker.port, JOINTER, BENCH, collector=COLLECTOR, travel=0.4)
        (tmp_path / "config.toml").write_text(shop)
        loaded = load(tmp_path / "config.toml")
        assert loaded.config is not None
        with ObservedShop(broker.port, loaded.config, seed=SEED) as observed:
            wait_until(lambda: observed.connected, 5, "the devices are on the broker")
            for _ in range(KILLS):
                live_and_die(tmp_path, observed, random)
            for tool in TOOLS:
                observed.cut(tool, on=False)
            with RunningDaemon(tmp_path):
                wait_until(lambda: observed.told.get("shop/fan/set") == "0", 20, "it is switched off")
                wait_until(lambda: not observed.fans_on, 10, "the collector rests")
                at_rest = lambda: all(gate.position(time.monotonic()) == 0.0 for gate in observed.shop.gates.values())  # noqa: E731
                wait_until(at_rest, 10, "the gates are shut")
        monitor = observed.judged(tmp_path).monitor
        runs, torn, told = log_of(tmp_path)
        ends = Counter(adopted(lines) for lines in runs.values())
        tell(f"{KILLS} kills (seed {SEED}), {len(runs)} runs left lines, {sum(map(len, runs.values()))} lines in all")
        tell("  after the start: " + ", ".join(f"{word or 'killed before'} {count}" for word, count in ends.items()))
        tell(f"  torn: {torn} bytes, {told} told of; {monitor.checked} commands seen")
        tell(f"  breaches {len(monitor.breaches)}, seconds without air {observed.starved:.2f}")
    for run, lines in runs.items():
        assert [line["seq"] for line in lines] == list(range(1, len(lines) + 1)), run
    assert torn <= told
    assert ends["nothing"] == 0
    assert ends["adopted while it turned"] > 0
    assert ends["switched off"] > 0
    if monitor.breaches:
        tell("what the observer had seen:\n" + observed.before(monitor.breaches[0].at))
    assert [str(each) for each in monitor.breaches] == []
    assert observed.starved < 0.5
