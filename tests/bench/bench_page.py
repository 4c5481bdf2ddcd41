"""How soon a phone shows what the daemon publishes, and what `gatehand page` takes: memory and processor time.

Ten phones are connected: nine that only read their stream, and a browser without a screen, in which a frame with the
new words has been painted when the first task after it runs. Beside them a bare aiomqtt subscriber hears the same
messages. The wall clock of one machine is everybody's; the browser's own is held against it.
"""

import json
import random
import re
import selectors
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, Final, Self

import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, publish_packet, quantile, scratch
from support.ports import free_port

STREAMS: Final = 9
LEFT: Final = 200
SETTLE: Final = 15.0
"""Seconds until everybody has done with the start."""
CLOCKS_APART: Final = 0.003
"""Seconds by which the browser's clock may differ, as a question to it can tell: its answer takes some time too."""
OWN: Final = "own-page"
_NUMBER: Final = re.compile(rb"number (\d+)", re.IGNORECASE)
_FLAGS: Final = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
_WATCH: Final = """
() => {
  window.seen = {};
  const channel = new MessageChannel();
  const painted = [];
  channel.port1.onmessage = () => {
    const at = (performance.timeOrigin + performance.now()) / 1000;
    for (const number of painted.splice(0)) window.seen[number] = at;
  };
  new MutationObserver(() => {
    const part = document.querySelector('[data-part="collector:main"]');
    const found = part && /number (\\d+)/i.exec(part.textContent);
    if (!found || found[1] in window.seen) return;
    window.seen[found[1]] = null;
    requestAnimationFrame(() => { painted.push(found[1]); channel.port2.postMessage(0); });
  }).observe(document.body, {childList: true, characterData: true, subtree: true});
}
"""


class Readers:
    """Nine phones' streams, read in one thread; `seen` has when each number came first, by stream."""

    def __init__(self, port: int) -> None:
        self._selector = selectors.DefaultSelector()
        self.seen: list[dict[int, float]] = [{} for _ in range(STREAMS)]
        self._end = False
        self._socks = [socket.create_connection(("127.0.0.1", port)) for _ in range(STREAMS)]
        for sock, seen in zip(self._socks, self.seen, strict=True):
            sock.sendall(f"GET /events HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            self._selector.register(sock, selectors.EVENT_READ, seen)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while not self._end:
            for key, _ in self._selector.select(0.2):
                data = key.fileobj.recv(1_000_000)  # type: ignore[union-attr]
                at = time.time()
                if not data:
                    self._selector.unregister(key.fileobj)
                for number in _NUMBER.findall(data):
                    key.data.setdefault(int(number), at)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._end = True
        self._thread.join()
        for sock in self._socks:
            sock.close()


class Daemon(Client):
    """What the page hears of one; its beat comes every second for as long as `speak` goes on."""

    def begin(self) -> None:
        """It is there, and so is the collector: retained."""
        for topic, payload in (("online", "1"), ("collector/main", '{"state":"off"}')):
            packet = bytearray(publish_packet(f"{OWN}/{topic}", payload))
            packet[0] |= 1  # RETAIN, MQTT 3.1.1 section 3.3.1
            self.send(bytes(packet))
        self._beat_at = 0.0

    def speak(self, seconds: float) -> None:
        """Let time pass."""
        until = time.perf_counter() + seconds
        while (now := time.perf_counter()) < until:
            if now >= self._beat_at:
                self._beat_at = now + 1.0
                self.say(f"{OWN}/daemon/beat", "1")
            time.sleep(max(0.0, min(until, self._beat_at) - time.perf_counter()))

    def tell(self, number: int) -> float:
        """Another word of the collector; when it was said, by the wall clock."""
        at = time.time()
        self.say(f"{OWN}/collector/main", f'{{"state":"off","because":"number {number}"}}')
        return at


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    count, idle = size.of(1000, 150), size.of(60, 15)
    with ExitStack() as stack:
        folder, broker = stack.enter_context(scratch()), stack.enter_context(mosquitto())
        port = free_port()
        text = bench_shops.config(broker, "page", tools=10, gates=6, own=OWN)
        text = text.replace("[log]\n", f'[page]\nlisten = "127.0.0.1:{port}"\n[log]\n')
        config = bench_shops.write(folder / "shop", text)
        daemon = stack.enter_context(Daemon(broker))
        daemon.begin()
        page = _start(stack, config, folder, port, daemon)
        bare_said = folder / "bare.said"
        words = [str(HERE / "bare_subscriber.py"), str(broker), f"{OWN}/collector/main"]
        stack.enter_context(Program(words, folder / "cache", bare_said))
        browser = _browser(stack, port)
        with Readers(port) as readers:
            daemon.speak(SETTLE)
            _hold_clocks(browser)
            said, draw = list[float](), random.Random(1)
            for number in range(count):
                said.append(daemon.tell(number))
                daemon.speak(0.06 + draw.random() / 30)  # at any time within a frame
            daemon.speak(1.0)
            _hold_clocks(browser)
            for _ in range(LEFT):
                socket.create_connection(("127.0.0.1", port)).close()
            daemon.speak(1.0)
            resident = page.resident_kb() / 1000
        painted = {int(key): at for key, at in browser.evaluate("window.seen").items() if at is not None}
        daemon.speak(2.0)
        before, began = page.cpu_seconds(), time.perf_counter()
        daemon.speak(idle)
        share = (page.cpu_seconds() - before) / (time.perf_counter() - began) * 100
        bare = {int(line.split()[0]): float(line.split()[1]) for line in bare_said.read_text().splitlines()[1:]}
    by_stream = [_or_newer(seen, count) for seen in readers.seen]
    streams = {number: max(seen[number] for seen in by_stream) for number in range(count)}
    yield from _latencies(said, _or_newer(painted, count), streams, bare)
    for what, unit, ours, limit in (
        (f"page: resident memory, ten phones, {count} updates, {LEFT} left connections", "MB", resident, 60.0),
        (f"page: share of one core, one phone, nothing new, {idle} s", "%", share, 1.0),
    ):
        yield Figure(what=what, unit=unit, ours=[ours], baseline="the limit", theirs=[limit], wanted=("at most", 1.0))


def _or_newer(seen: dict[int, float], count: int) -> dict[int, float]:
    """When each word was shown, or one that is newer: a stream passes over what is out of date already."""
    found, first = dict[int, float](), float("inf")
    for number in reversed(range(count)):
        first = min(first, seen.get(number, first))
        found[number] = first
    return found


def _latencies(
    said: list[float], painted: dict[int, float], streams: dict[int, float], bare: dict[int, float]
) -> Iterator[Figure]:
    count = len(said)
    if missing := [n for n in range(count) if max(painted[n], streams[n], bare.get(n, float("inf"))) == float("inf")]:
        raise SystemExit(f"{len(missing)} of {count} numbers were never shown, the first is {missing[0]}")

    def ms(when: dict[int, float], share: float) -> float:
        return quantile([when[number] - said[number] for number in range(count)], share) * 1000

    for share, name, limit in ((0.5, "half", 20.0), (0.99, "99 %", 50.0)):
        what = f"page: publish to painted, {name} of {count} within"
        base = ("bare aiomqtt subscriber", [ms(bare, share)])
        yield Figure(
            what=what,
            unit="ms",
            ours=[ms(painted, share)],
            baseline="the limit",
            theirs=[limit],
            wanted=("at most", 1.0),
        )
        yield Figure(what=what, unit="ms", ours=[ms(painted, share)], baseline=base[0], theirs=base[1])
        last = f"page: publish to the last of {STREAMS} streams, {name} within"
        yield Figure(what=last, unit="ms", ours=[ms(streams, share)], baseline=base[0], theirs=base[1])


def _start(stack: ExitStack, config: Path, folder: Path, port: int, daemon: Daemon) -> Program:
    """A start beforehand compiles; a process that has compiled has taken memory that no later start takes."""
    words = ["-m", "gatehand", "page", "--config", str(config)]
    for last in (False, True):
        with ExitStack() as own:
            page = own.enter_context(Program(words, folder / "cache", folder / "page.said"))
            until = time.perf_counter() + 30
            while not _answers(port):
                page.check()
                if time.perf_counter() > until:
                    raise SystemExit("the page does not answer")
                daemon.speak(0.05)
            if last:
                stack.push(own.pop_all())
    return page


def _answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=10) as sock:
        sock.sendall(f"GET /me HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        return b" 200 " in sock.recv(15)
    return False


def _browser(stack: ExitStack, port: int) -> Any:  # noqa: ANN401 - playwright's page
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        raise SystemExit("the benchmark needs the program chromium: apt-get install chromium")
    playwright = stack.enter_context(sync_playwright())
    browser = playwright.chromium.launch(executable_path=program, args=_FLAGS)
    stack.callback(browser.close)
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(f"http://127.0.0.1:{port}/")
    page.wait_for_selector('[data-part="collector:main"]')
    page.evaluate(_WATCH)
    return page


def _hold_clocks(browser: Any) -> None:  # noqa: ANN401 - playwright's page
    """The browser's clock against ours: the best of some questions."""
    best = (float("inf"), 0.0)
    for _ in range(20):
        before = time.time()
        theirs = browser.evaluate("(performance.timeOrigin + performance.now()) / 1000")
        after = time.time()
        best = min(best, (after - before, abs(theirs - (before + after) / 2)))
    if best[1] > best[0] / 2 + CLOCKS_APART:
        raise SystemExit(f"the browser's clock differs by {json.dumps(best)} s: nothing can be measured by it")
