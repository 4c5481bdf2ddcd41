"""A pytest plugin that runs the collected tests once for each mutant, in a fork of a process that has them loaded.

`mutate.py` starts it. A test that fails ends its mutant's fork at once, and the tests that failed most often for the
same function and file come first, so that most mutants cost milliseconds.
"""

import contextlib
import json
import os
import resource
import signal
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

settings.register_profile("mutants", phases=(Phase.explicit, Phase.generate), database=None, derandomize=True)
settings.load_profile("mutants")
"""What the tests' own profile builds on: the same examples for each mutant, and none made smaller once it fails."""
OWN = {
    "circuit": "test_circuit",
    "demand": "test_demands",
    "detect": "test_detect",
    "fan": "test_fan",
    "gates": "test_gate",
    "hands": "test_hands",
    "interlock": "test_interlock",
    "sequence": "test_sequence",
    "start": "test_b",
    "step": "test_doors",
    "wake": "test_wake",
    "zone": "test_zone",
}
"""Where a file of the rules has its own tests: those are tried first."""
SECONDS = 20
"""Processor time that a mutant's tests may take at least, and may wait: a mutant may well loop, or wait, for ever."""
MEMORY = 3 << 30
"""Bytes that they may take."""


def pytest_runtestloop(session: pytest.Session) -> bool:
    """All tests on the whole code, then all of them (or as many as it takes) on each mutant."""
    os.environ["MUTANT_UNDER_TEST"] = ""
    cost: defaultdict[Path, float] = defaultdict(float)
    started = time.monotonic()
    for item, following in zip(session.items, [*session.items[1:], None], strict=True):
        began = time.process_time()
        if _fails(item, following):
            pytest.exit(f"{item.nodeid} fails on the code as it is", returncode=2)
        cost[item.path] += time.process_time() - began
    processor = round(SECONDS + 3 * sum(cost.values()))
    waiting = round(SECONDS + 10 * (time.monotonic() - started))
    pending: list[str] = json.loads(Path(os.environ["GATEHAND_MUTANTS"]).read_text(encoding="utf-8"))
    kills: defaultdict[str, Counter[str]] = defaultdict(Counter)
    with Path(os.environ["GATEHAND_RESULTS"]).open("a", encoding="utf-8") as results:
        for done, name in enumerate(pending, 1):
            file = name.rpartition(".")[0].rpartition(".")[2]
            near, far = kills[name.partition("__mutmut_")[0]], kills[file]
            # The tests of one file one after another, so that what they share is made once for them.
            places = [
                (-near[one.nodeid], -far[one.nodeid], OWN.get(file, "?") not in one.nodeid, cost[one.path], at)
                for at, one in enumerate(session.items)
            ]
            killer = _killer(name, [session.items[place[-1]] for place in sorted(places)], processor, waiting)
            if killer is not None:
                near[killer] += 1
                far[killer] += 1
            results.write(json.dumps([name, killer]) + "\n")
            results.flush()
            if done % 20 == 0:
                print(f"{done} of {len(pending)}", file=sys.stderr, flush=True)
    return True


def _fails(item: pytest.Item, following: pytest.Item | None) -> bool:
    return any(report.failed for report in runtestprotocol(item, log=False, nextitem=following))


def _killer(name: str, order: list[pytest.Item], processor: int, waiting: int) -> str | None:
    """The first test that fails on the mutant, "timeout" after these seconds of work or of waiting, or None."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            os.environ["MUTANT_UNDER_TEST"] = name
            os.setpgid(0, 0)
            resource.setrlimit(resource.RLIMIT_CPU, (processor, processor))
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
            signal.alarm(waiting)
            for at, (item, following) in enumerate(zip(order, [*order[1:], None], strict=True)):
                if _fails(item, following):
                    os.write(writes, b"%d" % at)
                    os._exit(1)
            os._exit(0)
        os._exit(3)  # an exit from within a test: it noticed something
    os.close(writes)
    with os.fdopen(reads) as told:
        place = told.read()
    _, status = os.waitpid(child, 0)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # what its tests had started and could no longer end
    if place:
        return order[int(place)].nodeid
    return None if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0 else "timeout"
