"""`gatehand exercise` as a program: a real Mosquitto, simulated devices on it, and the real daemon (or none)."""

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from support.mosquitto import Mosquitto

from gatehand.config import load
from gatehand.demo.simulated_devices import SimulatedDevices
from gatehand.mqtt.client import plain_client
from gatehand.mqtt.settings import BrokerSettings
from gatehand.shell.daemon import Daemon
from gatehand.simshop.gate import GateHabits, GateTrouble
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand_rules.state import tool_word

pytestmark = pytest.mark.broker

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": f"{ROOT / 'rules'}:{ROOT / 'daemon'}"}
TEXT = """
[broker]
host = "127.0.0.1"
port = {port}

[collector.main]
command = {{ topic = "c/set", on = "1", off = "0" }}
state = {{ topic = "c/state", on = "1", off = "0" }}
spin_up = 1
coast_down = 1

[gate.band_saw]
command = {{ topic = "g/band_saw/set", open = "open", shut = "shut" }}
state = {{ topic = "g/band_saw/state", open = "open", shut = "shut" }}
travel = {travel}

[gate.planing]
command = {{ topic = "g/planing/set", open = "open", shut = "shut" }}
state = {{ topic = "g/planing/state", open = "open", shut = "shut" }}
travel = {travel}

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "t/amps", pointer = "/band_saw" }}
start_amps = 2.5
silent_after = 4

[tool.jointer]
gates = ["planing"]
current = {{ topic = "t/amps", pointer = "/jointer" }}
start_amps = 3
silent_after = 4
"""


@dataclass
class World:
    """A broker, devices, perhaps a daemon."""

    file: Path
    devices: SimulatedDevices
    shop: SimShop
    daemon: Daemon | None
    told: list[str] = field(default_factory=list)

    def start(self, tool: str, *, on: bool = True) -> None:
        self.devices.act({f"sim/{tool}/switch": "1" if on else "0"})


async def until(true: Callable[[], object]) -> None:
    """Wait for it; the limit only stops what would never come."""
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110 - what is waited for stands in devices and daemon, which have no event for it
            await asyncio.sleep(0.01)


@asynccontextmanager
async def world(folder: Path, *, daemon: bool = True, travel: float = 1.5) -> AsyncIterator[World]:
    with Mosquitto() as broker:
        file = folder / "shop.toml"
        file.write_text(TEXT.format(port=broker.port, travel=travel))
        loaded = load(file)
        assert loaded.config is not None, loaded.problems
        gates = dict.fromkeys(loaded.config.gate, GateHabits(travel=0.3))
        shop = SimShop(loaded.config, now=time.monotonic(), habits=Habits(gates=gates))
        settings = BrokerSettings("127.0.0.1", broker.port, client_id="devices", keepalive=30)
        async with plain_client(settings, shop.topics) as client:
            devices = SimulatedDevices(shop, client, lambda _at, _text: None)
            made = Daemon(loaded, lambda _level, _text, _facts=None: None)
            speaking = asyncio.ensure_future(devices.run())
            working = asyncio.ensure_future(made.run()) if daemon else None
            try:
                if daemon:
                    # Off, and its coast-down over.
                    await until(lambda: made.ready.is_set() and made.engine and "main off" in made.engine.summary())
                yield World(file, devices, shop, made if daemon else None)
            finally:
                if working is not None:
                    made.stop()
                    await _ended(working)
                speaking.cancel()
                await _ended(speaking)


async def _ended(task: asyncio.Task[None]) -> None:
    await asyncio.wait({task}, timeout=60)
    assert task.done(), "it did not end"
    with suppress(asyncio.CancelledError):
        task.result()


async def run(
    shop: World, *words: str, person: Callable[[str, asyncio.subprocess.Process], str | None] | None = None
) -> tuple[int, str, str]:
    """The command's exit code, output and errors. `person`: given each question, answers it (None: says nothing)."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "gatehand", "exercise", "--config", str(shop.file), *words),
        env=ENVIRONMENT,
        stdin=asyncio.subprocess.DEVNULL if person is None else asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(120):  # it walks in real time: half a minute where a gate never answers
            out, err = await (process.communicate() if person is None else _talk(process, person))
            return await process.wait(), out.decode(), err.decode()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def _talk(
    process: asyncio.subprocess.Process, person: Callable[[str, asyncio.subprocess.Process], str | None]
) -> tuple[bytes, bytes]:
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    heard = b""
    while some := await process.stdout.read(4096):
        heard += some
        if heard.endswith(b": "):  # a question's line is not ended
            answer = person(heard.decode().splitlines()[-1], process)
            if answer is not None:
                process.stdin.write(f"{answer}\n".encode())
                await process.stdin.drain()
    return heard, await process.stderr.read()


def moved(folder: Path) -> list[tuple[str, str | None]]:
    """What the daemon's log says of gates that it did not tell to move: the event, and who moved them."""
    lines = (json.loads(line) for path in sorted((folder / "log").glob("events-*")) for line in path.open())
    return [(line["event"], line.get("by")) for line in lines if line.get("rule") == "moved_by_hand"]


async def test_with_the_daemon_gates_are_measured_under_its_hold(tmp_path: Path) -> None:
    async with world(tmp_path, travel=15) as shop:
        code, out, err = await run(shop, "--yes", "--rounds", "2", "--json")
        found = json.loads(out)
        assert code == 0, (found, err)
        assert found["with_daemon"] is True
        assert list(found["held"]) == ["main"]
        for gate in ("band_saw", "planing"):
            times = [*found["gates"][gate]["opens"]["times"], *found["gates"][gate]["shuts"]["times"]]
            assert len(times) == 4
            # Measured on the clock of a computer that may be busy: never less than the gate takes.
            assert all(0.3 <= each < 15 for each in times), times
        assert shop.daemon is not None
        assert shop.daemon.engine is not None
        assert "main held" in shop.daemon.engine.summary()
        assert not shop.shop.collectors["main"].turns
        # What came before it is the gates' first word.
        await until(lambda: len([by for _, by in moved(tmp_path) if by]) >= 8)
        found = [each for each in moved(tmp_path) if each != ("gate_shut", None)]
        assert found == [(event, "exercise") for event in 4 * ("gate_open", "gate_shut")]
        # It has said that it has ended: who opens a gate under its hold from then on is a hand.
        await until(lambda: shop.daemon and shop.daemon.engine and "by=''" in repr(shop.daemon.engine.state.collectors))
        shop.shop.gates["planing"].move_by_hand(to_open=True, at=shop.shop.agenda.now)
        await until(lambda: moved(tmp_path)[-1] == ("gate_open", None))


async def test_it_refuses_while_the_daemon_runs_the_collector(tmp_path: Path) -> None:
    async with world(tmp_path) as shop:
        assert shop.daemon is not None
        daemon = shop.daemon
        # A tool that draws when it is first seen starts nothing.
        await until(lambda: daemon.engine and all(tool_word(tool) == "idle" for tool in daemon.engine.state.tools))
        shop.start("band_saw")
        await until(lambda: shop.shop.collectors["main"].turns)
        code, out, err = await run(shop, "--yes")
        assert code == 1
        assert "refused: " in err
        assert "the daemon is running the collector main" in err
        assert out == ""
        assert shop.shop.collectors["main"].turns  # nobody touched it


@pytest.mark.slow
async def test_a_person_walks_the_whole_shop_and_finds_the_swapped_sensors(tmp_path: Path) -> None:
    async with world(tmp_path, daemon=False) as shop:
        shop.shop.gates["planing"].suffer(GateTrouble.NEVER, shop.shop.agenda.now)
        other = {"band saw": "jointer", "jointer": "band_saw"}

        def person(question: str, _: asyncio.subprocess.Process) -> str | None:
            if "Type yes" in question:
                return "yes"
            for tool in other.values():
                shop.start(tool, on=False)
            for said, tool in other.items():
                if question.startswith(f"Start the {said}"):
                    shop.start(tool)
                    return None
            return ""

        code, out, _ = await run(shop, "--rounds", "1", person=person)
        assert code == 1
        assert "No daemon is heard" in out
        assert "the jointer's topic rose to" in out
        assert "Nothing was reported on g/planing/state" in out
        assert "Not all is well." in out
        assert not shop.shop.collectors["main"].turns


async def test_an_interrupt_ends_it_in_order(tmp_path: Path) -> None:
    async with world(tmp_path, daemon=False) as shop:

        def person(question: str, process: asyncio.subprocess.Process) -> str | None:
            if question.startswith("Start the"):
                process.send_signal(signal.SIGINT)
                return None
            return "yes" if "Type yes" in question else ""

        code, out, err = await run(shop, "--rounds", "1", person=person)
        assert code == 1, err
        assert "Stopped early." in out
        assert err == ""


async def test_a_name_that_is_not_there_is_wrong_usage(tmp_path: Path) -> None:
    async with world(tmp_path, daemon=False) as shop:
        code, _, err = await run(shop, "band_sow")
        assert code == 2
        assert "did you mean band_saw?" in err
