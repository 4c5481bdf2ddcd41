"""The real daemon against a real Mosquitto for as long as one wishes: memory, descriptors and latency over time.

A script, not a test: `python tests/soak/soak.py --minutes 25`. Fifty readings a second come in; every few seconds a
tool is started, so that commands leave all the while. Latency is the shop's own: from handing the broker the reading
that means a start to seeing the command that opens the gate, two hops through the broker included.
"""

import argparse
import os
import socket
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from statistics import quantiles

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from gatehand.config import Config, load
from gatehand.simshop.device import Sent
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand.simshop.tool import ToolHabits

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto

TOOLS = 10
RATE = 50.0
CUT = 1.2
CYCLE = 2.5
WARM = 120.0
"""Seconds after which memory should have come to rest."""
MAY_GROW_KB = 4096
"""What memory may grow after that: caches of the libraries, and the log's batches."""


def config_text(port: int) -> str:
    """A shop of ten tools with a gate each."""
    fan = (
        '[collector.main]\ncommand = { topic = "shop/fan/set", on = "1", off = "0" }\n'
        'state = { topic = "shop/fan/state", on = "1", off = "0" }\ncurrent = { topic = "shop/fan/amps" }\n'
        "spin_up = 0.3\ncoast_down = 0.5\nmax_open = 4\n"
    )
    tools = (
        f'[gate.g{i}]\ncommand = {{ topic = "shop/gate/g{i}/set", open = "open", shut = "shut" }}\n'
        f'state = {{ topic = "shop/gate/g{i}/state", open = "open", shut = "shut" }}\ntravel = 0.4\n'
        f'[tool.t{i}]\ngates = ["g{i}"]\ncurrent = {{ topic = "shop/t{i}/amps" }}\nstart_amps = 2.5\nrun_on = 0.4\n'
        for i in range(TOOLS)
    )
    return "\n".join([f"[broker]\nport = {port}\n", fan, *tools])


@dataclass
class Sample:
    """What one interval came to."""

    latencies: list[float] = field(default_factory=list)
    readings: int = 0
    commands: int = 0


class Floor:
    """The devices, as one client in one thread: speaks for the models, and times what comes back."""

    def __init__(self, port: int, config: Config) -> None:
        habits = ToolHabits(every=TOOLS / RATE, noise=0.02)
        self._shop = SimShop(
            config, seed=1, now=time.monotonic(), habits=Habits(tools=dict.fromkeys(config.tool, habits))
        )
        self._asked: dict[str, float] = {}
        """By gate topic: when the reading that starts its tool was handed over."""
        self._gate_of = {t.sensor.topic: f"shop/gate/{t.gates[0]}/set" for t in config.tool.values()}
        self._next_cycle = 0.0
        self._cycle = 0
        self.sample = Sample()
        self.fan_told = ""
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client.subscribe([(topic, 1) for topic in self._shop.topics])
        self._say(self._shop.begin(time.monotonic()))

    def work(self, until: float, *, cuts: bool = True) -> None:
        """Speak and listen until then (monotonic seconds)."""
        while (now := time.monotonic()) < until:
            if cuts:
                self._cut(now)
            self._say(self._shop.advance(now))
            due = min(self._shop.next_at() or until, until)
            self._client.loop(max(0.0, min(0.05, due - time.monotonic())))

    def _cut(self, now: float) -> None:
        tool = self._shop.tools[f"t{self._cycle % TOOLS}"]
        if tool.on and now >= self._next_cycle - (CYCLE - CUT):
            tool.switch(on=False, at=now)
            self._cycle += 1
        elif not tool.on and now >= self._next_cycle:
            tool.switch(on=True, at=now, load=6.0)
            self._next_cycle = now + CYCLE

    def rest(self, seconds: float) -> None:
        """Every tool stands from now on."""
        for tool in self._shop.tools.values():
            tool.switch(on=False, at=time.monotonic())
        self.work(time.monotonic() + seconds, cuts=False)

    def _say(self, sent: list[Sent]) -> None:
        for message in sent:
            gate = self._gate_of.get(message.topic)
            payload = message.payload
            if gate is not None:
                self.sample.readings += 1
                tool = message.topic.split("/")[1]
                if float(payload) >= 2.5 and self._shop.tools[tool].on:
                    self._asked.setdefault(gate, time.monotonic())
                else:
                    self._asked.pop(gate, None)
            self._client.publish(message.topic, payload, 0, message.retain)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        now = time.monotonic()
        self.sample.commands += 1
        if message.topic == "shop/fan/set":
            self.fan_told = message.payload.decode()
        asked = self._asked.get(message.topic)
        if message.payload == b"open" and asked is not None and asked > 0:
            self.sample.latencies.append((now - asked) * 1000)
            self._asked[message.topic] = -1.0
        self._shop.deliver(message.topic, bytes(message.payload), now)


@dataclass
class Usage:
    """What the daemon's process takes."""

    rss_kb: int
    descriptors: int
    threads: int
    cpu_s: float


def usage(pid: int) -> Usage:
    """Read it from /proc."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line)
    stat = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    ticks = int(stat[11]) + int(stat[12])
    return Usage(
        int(status["VmRSS"].split()[0]),
        len(os.listdir(f"/proc/{pid}/fd")),  # noqa: PTH208
        int(status["Threads"]),
        ticks / os.sysconf("SC_CLK_TCK"),
    )


def _percentiles(values: list[float]) -> tuple[float, float, float]:
    if len(values) < 2:
        return (float("nan"), float("nan"), max(values, default=float("nan")))
    cuts = quantiles(values, n=100, method="inclusive")
    return cuts[49], cuts[98], max(values)


def _row(sample: Sample, seen: Usage, *, minutes: float, cpu_share: float, log_kb: float, span: float) -> str:
    p50, p99, most = _percentiles(sample.latencies)
    return (
        f"{minutes:7.1f} {seen.rss_kb / 1024:8.1f} {seen.descriptors:5d} {seen.threads:7d} {cpu_share:6.1f} "
        f"{sample.readings / span:9.1f} {sample.commands:8d} {len(sample.latencies):6d} "
        f"{p50:7.2f} {p99:7.2f} {most:7.2f} {log_kb:8.0f}"
    )


HEAD = (
    " minutes  rss_MB   fds threads  cpu_% readings/s commands starts  p50_ms  p99_ms  max_ms   log_kB\n"
    "(latency: a start's reading handed to the broker -> the gate's command seen)"
)


def main() -> int:
    """Run it; 0 when nothing grew and the collector ended off."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--every", type=float, default=60.0, help="seconds between two lines")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as name, Mosquitto() as broker:
        folder = Path(name)
        (folder / "config.toml").write_text(config_text(broker.port))
        loaded = load(folder / "config.toml")
        if loaded.config is None:
            raise ValueError("\n".join(map(str, loaded.problems)))
        floor = Floor(broker.port, loaded.config)
        with RunningDaemon(folder) as daemon:
            wait_until(lambda: "connected to the broker" in daemon.said, 15)
            return _soak(args, floor, daemon.pid, folder)


def _soak(args: argparse.Namespace, floor: Floor, pid: int, folder: Path) -> int:
    print(HEAD, flush=True)
    began = last = time.monotonic()
    before, warm = usage(pid), None
    everything: list[float] = []
    while last - began < args.minutes * 60:
        floor.sample = Sample()
        floor.work(min(last + args.every, began + args.minutes * 60))
        now = time.monotonic()
        seen = usage(pid)
        log_kb = sum(file.stat().st_size for file in folder.glob("log/*")) / 1024
        share = 100 * (seen.cpu_s - before.cpu_s) / (now - last)
        row = _row(floor.sample, seen, minutes=(now - began) / 60, cpu_share=share, log_kb=log_kb, span=now - last)
        print(row, flush=True)
        everything += floor.sample.latencies
        if warm is None and now - began >= min(WARM, args.minutes * 30):
            warm = seen
        before, last = seen, now
    floor.rest(4.0)
    p50, p99, most = _percentiles(everything)
    grown = before.rss_kb - (warm or before).rss_kb
    more_files = before.descriptors - (warm or before).descriptors
    print(f"starts {len(everything)}, latency p50 {p50:.2f} ms, p99 {p99:.2f} ms, max {most:.2f} ms")
    print(f"memory grew {grown} kB after the warm-up, descriptors {more_files:+d}; collector at the end: ", end="")
    print("off" if floor.fan_told == "0" else "ON")
    return 0 if grown <= MAY_GROW_KB and more_files <= 0 and floor.fan_told == "0" else 1


if __name__ == "__main__":
    sys.exit(main())
