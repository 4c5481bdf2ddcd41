"""How many readings a second are taken in for good, with every decision taken, beside a bare aiomqtt loop that counts.

The readings of 20 tools come as fast as they are taken: a batch ends with one that must lead to a command (the bare
loop answers every so many), and no more than two batches are on their way at a time. A lost reading would show as a
command that does not come. Processor time is that of the program alone, by the scheduler's own count.
"""

import random
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, publish_packet, scratch

TOOLS, GATES = 20, 12
BATCH = 200
IN_FLIGHT = 2
PROTOCOLS = {"5": "MQTT 5", "3.1.1": "MQTT 3.1.1"}


@dataclass
class Contender:
    """One program and what its runs gave."""

    prefix: str
    decides: bool
    program: Program
    a_second: list[float] = field(default_factory=list)
    microseconds: list[float] = field(default_factory=list)


def figures(size: Size) -> Iterator[Figure]:
    """The figures: like beside like, and ours as it comes (MQTT 5) beside aiomqtt as it comes (3.1.1)."""
    with ExitStack() as stack:
        folder, port = stack.enter_context(scratch()), stack.enter_context(mosquitto())
        observer = stack.enter_context(Client(port, "+/online"))

        def start(prefix: str, *words: str, decides: bool) -> Contender:
            program = Program(words, folder / "cache", folder / f"{prefix}.said")
            stack.enter_context(program)
            observer.wait_for(f"own-{prefix}/online" if decides else f"{prefix}/online")
            return Contender(prefix, decides, program)

        ours, bare = {}, {}
        for number, protocol in enumerate(PROTOCOLS):
            text = bench_shops.config(port, f"ours{number}", tools=TOOLS, gates=GATES)
            text = text.replace("[broker]", f'[broker]\nprotocol = "{protocol}"')
            config = str(bench_shops.write(folder / str(number), text))
            ours[protocol] = start(f"ours{number}", "-m", "gatehand", "run", "--config", config, decides=True)
            count = (str(HERE / "bare_count.py"), str(port), f"bare{number}", str(BATCH), protocol)
            bare[protocol] = start(f"bare{number}", *count, decides=False)
        publisher = stack.enter_context(Client(port))
        listener = stack.enter_context(Client(port, "+/gate/+"))
        for contender in ours.values():
            _rest(contender, publisher)
        listener.drain(0.5)
        for run in range(size.of(9, 3) + 1):
            for contender in (*ours.values(), *bare.values()):
                _run(contender, publisher, listener, size.of(150, 50), keep=run > 0)
    for mine, other in (("5", "5"), ("3.1.1", "3.1.1"), ("5", "3.1.1")):
        yield Figure(
            what=f"readings a second, 20 tools, {PROTOCOLS[mine]}",
            unit="",
            ours=ours[mine].a_second,
            baseline=f"aiomqtt that counts, {PROTOCOLS[other]}",
            theirs=bare[other].a_second,
            wanted=("at least", 0.7),
        )
        yield Figure(
            what=f"  processor time of each, {PROTOCOLS[mine]}",
            unit="us",
            ours=ours[mine].microseconds,
            baseline=f"aiomqtt that counts, {PROTOCOLS[other]}",
            theirs=bare[other].microseconds,
        )


def _run(contender: Contender, publisher: Client, listener: Client, batches: int, *, keep: bool) -> None:
    """An even number of batches, so that every tool that was started is stopped again."""
    packets = [_batch(contender.prefix, number) for number in range(batches)]
    cpu, began = contender.program.cpu_seconds(), time.perf_counter()
    for number in range(batches + IN_FLIGHT):
        if number >= IN_FLIGHT:
            _expect(contender, listener, number - IN_FLIGHT)
        if number < batches:
            publisher.send(packets[number])
    took = time.perf_counter() - began
    cpu = contender.program.cpu_seconds() - cpu
    if keep:
        contender.a_second.append(batches * BATCH / took)
        contender.microseconds.append(cpu / (batches * BATCH) * 1e6)


def _batch(prefix: str, number: int) -> bytes:
    """Readings that decide nothing, in the tools' turn, and one at the end that does."""
    rng = random.Random(number)
    tool = _tool(number)
    amps = [(i % TOOLS, rng.uniform(0, 1)) for i in range(BATCH) if number % 2 == 0 or i % TOOLS != tool]
    # In a batch that ends with the tool's stop it runs until then.
    amps += [(tool, 5.0)] * (BATCH - 1 - len(amps)) if number % 2 else []
    amps = [*amps[: BATCH - 1], (tool, 5.0 if number % 2 == 0 else 0.1)]
    return b"".join(publish_packet(f"{prefix}/amps/{i}", f"{value:.3f}") for i, value in amps)


def _tool(number: int) -> int:
    return number // 2 % TOOLS


def _expect(contender: Contender, listener: Client, number: int) -> None:
    gate = _tool(number) % GATES if contender.decides else 0
    payload, _ = listener.next(f"{contender.prefix}/gate/{gate}")
    wanted = b"open" if number % 2 == 0 else b"shut"
    if contender.decides and payload != wanted:
        raise SystemExit(f"batch {number}: {payload!r} came where {wanted!r} is right")


def _rest(contender: Contender, publisher: Client) -> None:
    until = time.perf_counter() + 4
    while time.perf_counter() < until:
        for i in range(TOOLS):
            publisher.say(f"{contender.prefix}/amps/{i}", "0.1")
        time.sleep(0.2)
