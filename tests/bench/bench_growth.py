"""How the cost of a reading grows with the shop: 5, 50 and 500 tools, the smallest shop as the baseline.

Three ways: through the whole engine (payload, event, recording, step, status), `step` alone for a reading that decides
nothing, and `step` over busy minutes with every decision in it. Processor time, the sizes in turn.
"""

import random
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import bench_shops
import bench_step
from bench_kit import Figure, Size, scratch

from gatehand.config import load_text
from gatehand.journal.clock import SystemClock
from gatehand.journal.line import LogLine, Stamper
from gatehand.mqtt.transport import Connected, Outgoing, Subscription
from gatehand.recording.recorder import Recorder
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.engine import Engine
from gatehand_rules import events as ev
from gatehand_rules import step

SIZES = (5, 50, 500)
GATES = 12


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    count = size.of(20_000, 4_000)
    with scratch() as folder:
        ways: dict[str, Callable[[int], Callable[[], float]]] = {
            "a reading through the engine": lambda tools: _through_engine(folder / str(tools), tools, count),
            "step, a reading that decides nothing": lambda tools: _step_alone(tools, count),
            "step over busy minutes, all decisions": lambda tools: _busy(tools, size.of(400, 120)),
        }
        for what, make in ways.items():
            works = {tools: make(tools) for tools in SIZES}
            took: dict[int, list[float]] = {tools: [] for tools in SIZES}
            for _ in range(size.of(9, 3)):
                for tools, work in works.items():
                    took[tools].append(work())
            for tools in SIZES[1:]:
                yield Figure(
                    what=f"{what}, {tools} tools",
                    unit="us",
                    ours=took[tools],
                    baseline=f"with {SIZES[0]} tools",
                    theirs=took[SIZES[0]],
                    wanted=("at most", 1.5),
                )


def _per_reading(work: Callable[[], int]) -> float:
    """Microseconds a reading."""
    began = time.process_time()
    readings = work()
    return (time.process_time() - began) / readings * 1e6


def _step_alone(tools: int, count: int) -> Callable[[], float]:
    """Every tool in turn, idle, at rest."""
    shop = bench_step.shop(tools, min(tools, GATES))
    rest = bench_step.readings(tools, bench_step.START)
    state, at = bench_step.state_after(shop, rest)
    names = [tool.name for tool in shop.tools]
    events = [ev.Reading(names[i % tools], round(random.uniform(0, 0.4), 3)) for i in range(count)]

    def work() -> int:
        seen = state
        for event in events:
            seen = step(shop, seen, event, at).state
        return count

    return lambda: _per_reading(work)


def _busy(tools: int, seconds: int) -> Callable[[], float]:
    shop = bench_step.shop(tools, min(tools, GATES))
    # As many readings whatever the size, so that each size takes as long.
    day = bench_step.readings(tools, max(60, seconds * 20 // tools))

    def work() -> int:
        bench_step.by_rules(shop, day)
        return len(day)

    return lambda: _per_reading(work)


def _through_engine(folder: Path, tools: int, count: int) -> Callable[[], float]:
    text = bench_shops.config(1883, "grow", tools=tools, gates=min(tools, GATES))
    loaded = load_text(text, folder / "config.toml", files=False)
    clock = SystemClock()
    recorder = Recorder(folder / "log", run="bench", clock=clock)
    engine = Engine(
        ActiveConfig.of(loaded),
        stamper=Stamper("bench", clock),
        log=_NoDisk(),
        recorder=recorder,
        timers=_NoTimers(),
        transport=_Nowhere(),
        diagnose=lambda *_: None,
    )
    engine.on_connected(Connected("5", "localhost", 1883))
    engine.on_settled()
    topics = [f"grow/amps/{i}" for i in range(tools)]

    def rest(seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            engine.beat()
            for topic in topics:
                engine.on_message(topic, b"0.1", retained=False, received=time.monotonic())
            time.sleep(0.1)

    rest(1.5)
    payloads = [f"{random.uniform(0, 0.4):.3f}".encode() for _ in range(count)]

    def work() -> int:
        for i, payload in enumerate(payloads):
            engine.on_message(topics[i % tools], payload, retained=False, received=time.monotonic())
        return count

    return lambda: _per_reading(work)


@dataclass
class _Done:
    done_at: float | None = 0.0

    def wait(self, seconds: float) -> bool:  # noqa: ARG002
        return True


class _NoDisk:
    def append(self, lines: Sequence[LogLine]) -> _Done:  # noqa: ARG002
        return _Done()


class _NoTimer:
    def cancel(self) -> None:
        return


class _NoTimers:
    def call_at(self, when: float, callback: Callable[[], None]) -> _NoTimer:  # noqa: ARG002
        return _NoTimer()


class _Nowhere:
    def publish(self, outgoing: Outgoing) -> bool:  # noqa: ARG002
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:  # noqa: ARG002
        return
