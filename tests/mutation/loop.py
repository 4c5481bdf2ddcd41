"""A pytest plugin that runs the collected tests once for each mutant, in a fork of a process that has them loaded.

`mutate.py` starts it. A test that fails ends its mutant's fork at once, and the tests that failed most often for the
same function and file come first, so that most mutants cost milliseconds.
"""

import contextlib
import json
import os
import resource
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol

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
"""Processor time that a mutant's tests may take: a mutant may well loop for ever."""


def pytest_runtestloop(session: pytest.Session) -> bool:
    """All tests on the whole rules, then all of them (or as many as it takes) on each mutant."""
    os.environ["MUTANT_UNDER_TEST"] = ""
    cost: dict[str, float] = {}
    for item in session.items:
        began = time.process_time()
        if _fails(item):
            pytest.exit(f"{item.nodeid} fails on the rules as they are", returncode=2)
        cost[item.nodeid] = time.process_time() - began
    pending: list[str] = json.loads(Path(os.environ["GATEHAND_MUTANTS"]).read_text(encoding="utf-8"))
    kills: defaultdict[str, Counter[str]] = defaultdict(Counter)
    with Path(os.environ["GATEHAND_RESULTS"]).open("a", encoding="utf-8") as results:
        for done, name in enumerate(pending, 1):
            file = name.split(".")[1]
            near, far = kills[name.partition("__mutmut_")[0]], kills[file]
            places = [
                (-near[one.nodeid], -far[one.nodeid], OWN.get(file, "?") not in one.nodeid, cost[one.nodeid], at)
                for at, one in enumerate(session.items)
            ]
            killer = _killer(name, [session.items[place[-1]] for place in sorted(places)])
            if killer is not None:
                near[killer] += 1
                far[killer] += 1
            results.write(json.dumps([name, killer]) + "\n")
            results.flush()
            if done % 100 == 0:
                print(f"{done} of {len(pending)}", file=sys.stderr, flush=True)
    return True


def _fails(item: pytest.Item) -> bool:
    return any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))


def _killer(name: str, order: list[pytest.Item]) -> str | None:
    """The first test that fails on the mutant, "timeout", or None."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            os.environ["MUTANT_UNDER_TEST"] = name
            resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
            for at, item in enumerate(order):
                if _fails(item):
                    os.write(writes, b"%d" % at)
                    os._exit(1)
            os._exit(0)
        os._exit(3)  # an exit from within a test: it noticed something
    os.close(writes)
    with os.fdopen(reads) as told:
        place = told.read()
    _, status = os.waitpid(child, 0)
    if place:
        return order[int(place)].nodeid
    return None if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0 else "timeout"
