"""A shop whose times are short, as the text of its config: for a real daemon beside a real broker."""

from typing import Final

BENCH: Final = """
[gate.bench]
command = { topic = "shop/gate/bench/set", open = "open", shut = "shut" }
travel = 0.3

[tool.router]
gates = ["bench"]
current = { topic = "shop/router/amps" }
start_amps = 2
run_on = 0
"""
"""A tool whose gate does not report."""
STOP: Final = """
[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""


def quick_shop(
    port: int,
    *more: str,
    broker: str = "",
    collector: str = "",
    coast_down: float = 0.4,
    travel: float = 0.5,
    run_on: float = 0.3,
) -> str:
    """A collector that reports, and a band saw whose gate does; `more` tables, and keys of broker and collector.

    Times are in seconds.
    """
    return f"""
[broker]
port = {port}
{broker}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
state = {{ topic = "shop/fan/state", on = "1", off = "0" }}
spin_up = 0.2
coast_down = {coast_down}
{collector}

[gate.band_saw]
command = {{ topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }}
state = {{ topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }}
travel = {travel}

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
run_on = {run_on}
{"".join(more)}"""
