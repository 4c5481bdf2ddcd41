"""What the benchmarks share: a figure beside its baseline, the one table, programs as child processes, a bare client.

Nothing is measured in here, and nothing in here knows what is measured.
"""

import os
import platform
import resource
import select
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType
from typing import Final, Literal, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

ROOT: Final = Path(__file__).resolve().parents[2]
HERE: Final = Path(__file__).resolve().parent
_PACKAGES: Final = ("aiomqtt", "paho-mqtt", "pydantic", "structlog", "transitions", "python-statemachine")


@dataclass(frozen=True, slots=True)
class Size:
    """How much is measured. `quick` is for looking whether a change helps, not for figures to publish."""

    quick: bool = False

    def of(self, full: int, quick: int) -> int:
        """The one or the other."""
        return quick if self.quick else full


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One line of the table. Ours and the baseline hold one number for each run, in the order of the runs.

    A baseline of a single number is a limit that somebody set; it stands for every run.
    """

    what: str
    unit: str
    ours: Sequence[float]
    baseline: str
    theirs: Sequence[float]
    wanted: tuple[Literal["at most", "at least"], float] | None = None
    """Of the ratio, ours to the baseline."""

    @property
    def ratios(self) -> list[float]:
        """Ours to the baseline, run by run."""
        theirs = (
            self.theirs if len(self.theirs) == len(self.ours) else [statistics.median(self.theirs)] * len(self.ours)
        )
        return [ours / base for ours, base in zip(self.ours, theirs, strict=True)]

    @property
    def kept(self) -> bool | None:
        """Whether the median of the ratios is as wanted."""
        if self.wanted is None:
            return None
        word, bound = self.wanted
        ratio = statistics.median(self.ratios)
        return ratio <= bound if word == "at most" else ratio >= bound


def table(figures: Sequence[Figure]) -> str:
    """All figures, a line each: medians over the runs, and the lowest and highest ratio of a run."""
    head = ("what", "ours", "baseline", "", "ratio", "lowest", "highest", "runs", "wanted", "")
    rows = [head, *(_row(figure) for figure in figures)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    left = {0, 3, 8, 9}
    lines = [
        "  ".join(
            cell.ljust(width) if i in left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]
    lines.insert(1, "-" * max(map(len, lines)))
    return "\n".join(line.rstrip() for line in lines)


def _row(figure: Figure) -> tuple[str, ...]:
    ratios = figure.ratios
    wanted = "" if figure.wanted is None else f"{figure.wanted[0]} {figure.wanted[1]:g}"
    verdict = {None: "", True: "kept", False: "MISSED"}[figure.kept]
    return (
        figure.what,
        f"{_number(statistics.median(figure.ours))} {figure.unit}",
        f"{_number(statistics.median(figure.theirs))} {figure.unit}",
        figure.baseline,
        _number(statistics.median(ratios)),
        _number(min(ratios)),
        _number(max(ratios)),
        str(len(ratios)),
        wanted,
        verdict,
    )


def _number(value: float) -> str:
    """Three digits that count."""
    if value >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3g}"


def machine() -> str:
    """Where the figures come from: the machine, its load, and what takes part."""
    cpu = next((line.split(":")[1].strip() for line in _lines("/proc/cpuinfo") if line.startswith("model name")), "?")
    kb = next((int(line.split()[1]) for line in _lines("/proc/meminfo") if line.startswith("MemTotal")), 0)
    packages = ", ".join(f"{name} {_version(name)}" for name in _PACKAGES)
    system = f"{platform.system()} {platform.release()}, load {os.getloadavg()[0]:.1f}"
    return (
        f"{platform.node()}: {cpu}, {os.cpu_count()} cores, {kb / 1e6:.1f} GB, {system}\n"
        f"Python {platform.python_version()}, {_mosquitto_version()}, {packages}"
    )


def _lines(path: str) -> list[str]:
    try:
        return Path(path).read_text().splitlines()
    except OSError:
        return []


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "missing"


def _mosquitto() -> str:
    found = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        raise SystemExit("the benchmarks need the program mosquitto: apt-get install mosquitto")
    return found


def _mosquitto_version() -> str:
    said = subprocess.run([_mosquitto(), "-h"], capture_output=True, text=True, check=False).stdout  # noqa: S603
    return said.partition("\n")[0]


@contextmanager
def mosquitto(*config: str) -> Iterator[int]:
    """A Mosquitto that logs nothing, as installed but for these lines of config; gives its port."""
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)  # the broker drops root for a user of its own
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        lines = [f"listener {port} 127.0.0.1", "allow_anonymous true", "log_type none", *config]
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
        process = subprocess.Popen([_mosquitto(), "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)  # noqa: S603
        try:
            _until_it_accepts(port)
            yield port
        finally:
            process.terminate()
            process.wait()


def _until_it_accepts(port: int) -> None:
    until = time.perf_counter() + 10
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            if time.perf_counter() > until:
                raise
            time.sleep(0.01)
        else:
            return


@contextmanager
def scratch(parent: Path = ROOT / "build") -> Iterator[Path]:
    """A folder for this run alone, on the disk that the project lies on."""
    parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=parent, prefix="bench-") as name:
        yield Path(name)


class Program:
    """A Python program as a child process, with its compiled files in a cache that outlives it. Killed at exit.

    Args:
        words: what stands after `python`.
        cache: where compiled modules are kept, so that the second start of anything is an ordinary start.
        said: the file that takes what it says.
    """

    def __init__(self, words: Sequence[str], cache: Path, said: Path) -> None:
        self._said = said
        with said.open("ab") as out:
            self.began = time.perf_counter()
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, *words],
                env=_environment(cache),
                stdout=out,
                stderr=out,
            )
        self.pid = self._process.pid

    def resident_kb(self) -> int:
        """Resident memory now."""
        return next(int(line.split()[1]) for line in _lines(f"/proc/{self.pid}/status") if line.startswith("VmRSS"))

    def cpu_seconds(self) -> float:
        """Processor time of the threads that it has now, from the scheduler, in nanosecond steps."""
        tasks = Path(f"/proc/{self.pid}/task").iterdir()
        return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9

    def check(self) -> None:
        """Fail with what it said when it has ended."""
        if self._process.poll() is not None:
            raise SystemExit(f"a program of the benchmark has ended:\n{self._said.read_text()[-2000:]}")

    def stop(self) -> None:
        """End it, politely at first."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def processor_time(words: Sequence[str], cache: Path, said: Path) -> float:
    """Run a Python program to its end, which must be a good one; the processor time that it took, seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with said.open("ab") as out:
        code = subprocess.run(  # noqa: S603
            [sys.executable, *words], env=_environment(cache), stdout=out, stderr=out, check=False
        ).returncode
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if code not in {0, 1}:
        raise SystemExit(f"a program of the benchmark failed:\n{said.read_text()[-2000:]}")
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _environment(cache: Path) -> dict[str, str]:
    path = os.pathsep.join([str(ROOT / "rules"), str(ROOT / "daemon")])
    env = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    return {**env, "PYTHONPATH": path, "PYTHONPYCACHEPREFIX": str(cache)}


class Client:
    """An MQTT client without threads or event loop: it adds as little of its own as can be."""

    def __init__(self, port: int, *topics: str) -> None:
        self.heard: list[tuple[str, bytes, float]] = []
        self._answered = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_connect = self._on_answer
        self._client.on_subscribe = self._on_answer
        self._client.connect("127.0.0.1", port, keepalive=3600)
        sock = self._client.socket()
        assert isinstance(sock, socket.socket)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._sock = sock
        self._await_answer()
        if topics:
            self._client.subscribe([(topic, 0) for topic in topics])
            self._await_answer()

    def say(self, topic: str, payload: str) -> None:
        """Publish at QoS 0, not retained; on its way when this returns."""
        self._client.publish(topic, payload)

    def send(self, packets: bytes) -> None:
        """Send ready-made packets in one go."""
        self._sock.setblocking(True)
        self._sock.sendall(packets)
        self._sock.setblocking(False)

    def drain(self, seconds: float) -> None:
        """Read and forget everything that comes within that time."""
        until = time.perf_counter() + seconds
        while time.perf_counter() < until:
            self.look(0.05)
        self.heard.clear()

    def look(self, seconds: float) -> bool:
        """Read what comes within that time; True as soon as something has come."""
        ready, _, _ = select.select([self._sock], [], [], seconds)
        if ready:
            self._client.loop_read()
        return bool(ready)

    def next(self, topic: str, seconds: float = 10.0) -> tuple[bytes, float]:
        """The next message on that topic and when it came (performance counter); others are dropped."""
        until = time.perf_counter() + seconds
        while True:
            while self.heard:
                found, payload, at = self.heard.pop(0)
                if found == topic:
                    return payload, at
            if not self.look(max(0.0, until - time.perf_counter())) and time.perf_counter() >= until:
                raise TimeoutError(f"nothing on {topic} within {seconds:g} s")

    def wait_for(self, *topics: str, seconds: float = 20.0) -> None:
        """Until something has come on each of these topics; all else is dropped."""
        missing = set(topics)
        until = time.perf_counter() + seconds
        while missing:
            if time.perf_counter() > until:
                raise TimeoutError(f"nothing on {', '.join(sorted(missing))} within {seconds:g} s")
            self.look(0.1)
            missing -= {topic for topic, _, _ in self.heard}
            self.heard.clear()

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload), time.perf_counter()))

    def _on_answer(self, *_: object) -> None:
        self._answered = True

    def _await_answer(self) -> None:
        self._answered = False
        until = time.perf_counter() + 10
        while not self._answered:
            if time.perf_counter() > until:
                raise TimeoutError("the broker does not answer")
            self.look(0.1)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def publish_packet(topic: str, payload: str) -> bytes:
    """A PUBLISH at QoS 0, not retained, as it goes over the wire (MQTT 3.1.1 section 3.3), up to 127 bytes long."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + payload.encode()
    assert len(body) < 128, "one byte holds the length"
    return bytes((0x30, len(body))) + body


def quantile(values: Sequence[float], share: float) -> float:
    """The value below which that share of the values lies."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]
