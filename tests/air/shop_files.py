"""Config files with ducts: an instrument maker's shop, its metric twin, the published three-branch case."""

import json
import tomllib
from pathlib import Path

from gatehand.config import Config, load_text

GATES = ("band_saw", "planing", "router", "sweep", "bench")

_HEAD = """
[broker]
host = "127.0.0.1"

[collector.main]
command = { topic = "shop/collector/set", on = "1", off = "0" }
"""

_TOOLS = """
[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
run_on = 10

[tool.jointer]
gates = ["planing"]
current = { topic = "shop/jointer/amps" }
start_amps = 3

[tool.drum_sander]
gates = ["planing"]
current = { topic = "shop/drum_sander/amps" }
start_amps = 4

[tool.carving_router]
gates = ["router"]
current = { topic = "shop/router/amps" }
start_amps = 1.5
run_on = 2
"""

US = """
[airflow]
units = "us"

[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1100, 5.0], [1400, 0.5]]
filter_loss = { clean = 0.8, dirty = 2.0, at = 800 }

[duct.main]
diameter = 6
length = 10
fittings = ["elbow_90"]

[duct.row]
into = "main"
diameter = 6
length = 8

[duct.band_saw_drop]
into = "main"
diameter = 5
length = 5
fittings = ["blade_gate", "elbow_45", "wye_45"]
gate = "band_saw"
hood = { entry = "flanged", tool = "band_saw", flow = 550, spin_down = "12 s" }

[duct.planing_drop]
into = "row"
diameter = 5
length = 7
fittings = ["blade_gate", "elbow_90", "wye_45"]
gate = "planing"
hood = { entry = "flanged", tool = ["jointer", "drum_sander"] }

[duct.router_drop]
into = "row"
diameter = 4
length = 9
material = "flex"
fittings = ["blade_gate", "wye_45"]
gate = "router"
hood = { entry = "plain", tool = "carving_router", flow = 350 }

[duct.sweep_drop]
into = "row"
diameter = 4
length = 3
fittings = ["blade_gate", "elbow_90"]
gate = "sweep"
hood = { entry = "bell", tool = "sweep", flow = 400 }

[duct.bench_port]
into = "row"
diameter = 2.5
length = 10
material = "flex"
fittings = [{ reducer = 4 }, "blade_gate", "wye_45"]
gate = "bench"
hood = { entry = "plain", flow = 150 }
"""


def _gate(name: str) -> str:
    return (
        f'\n[gate.{name}]\ncommand = {{ topic = "shop/gate/{name}/set", open = "open", shut = "shut" }}\n'
        f'button = {{ topic = "shop/gate/{name}/button", pressed = "1" }}\n'
    )


def head() -> str:
    """Broker and collector: what every shop begins with."""
    return _HEAD


def gate_tables(*names: str) -> str:
    """Gates with a button each."""
    return "".join(map(_gate, names))


def shop_text(ducts: str = US, *, max_open: int | None = 2, tools: str = _TOOLS) -> str:
    """The whole file."""
    limit = f"max_open = {max_open}\n" if max_open is not None else ""
    return _HEAD + limit + "".join(map(_gate, GATES)) + tools + ducts


def three_branch_text(filter_loss: str = "") -> str:
    """The published case as a config in metric units: temperature and loss factors make it the same ducts."""
    points = [(q, 2400 - 8000 * (q / 3600) ** 2) for q in range(0, 1961, 5)]
    ducts = f"""
[airflow]
units = "metric"
temperature = 19.996
[fan.main]
curve = {[[q, round(p, 9)] for q, p in points]}
{filter_loss}
[duct.t2]
diameter = 152.4
length = 4
fittings = [{{ k = 0.5 }}]
[duct.t1]
into = "t2"
diameter = 152.4
length = 5
fittings = [{{ k = 0.1 }}, {{ k = 0.3 }}]
"""
    for name, into, length, k in (("b1", "t1", 6, 1.2), ("b2", "t1", 4, 1.2), ("b3", "t2", 3, 2.0)):
        ducts += f'[duct.{name}]\ninto = "{into}"\ndiameter = 101.6\nlength = {length}\ngate = "{name}"\n'
        ducts += f"hood = {{ entry = {k}, flow = 400 }}\n"
    return _HEAD + "".join(map(_gate, ("b1", "b2", "b3"))) + ducts


def config_of(text: str) -> Config:
    """The config, which must be without errors."""
    loaded = load_text(text, Path("config.toml"))
    assert loaded.config is not None, [str(problem) for problem in loaded.errors]
    return loaded.config


def errors_of(text: str) -> list[tuple[str, str]]:
    """Where and what, of each error."""
    return [(problem.where, problem.message) for problem in load_text(text, Path("config.toml")).errors]


def metric_twin(text: str) -> str:
    """The US shop of this file in metric units, every number turned by the tests' own factors."""

    def pressure(inches: float) -> float:
        return inches * 249.08891

    def flow(cfm: float) -> float:
        return cfm * 1.69901082

    tree = tomllib.loads(text)
    lines = ["[airflow]", 'units = "metric"', "min_velocity = 20.32", "main_velocity = 17.78", ""]
    fan = tree["fan"]["main"]
    loss = fan["filter_loss"]
    lines += ["[fan.main]", f"curve = {[[flow(q), pressure(p)] for q, p in fan['curve']]}"]
    clean, dirty, at = pressure(loss["clean"]), pressure(loss["dirty"]), flow(loss["at"])
    lines.append(f"filter_loss = {{ clean = {clean}, dirty = {dirty}, at = {at} }}")
    for name, duct in tree["duct"].items():
        lines += ["", f"[duct.{name}]", f"diameter = {duct['diameter'] * 25.4}", f"length = {duct['length'] * 0.3048}"]
        lines += [f'{key} = "{duct[key]}"' for key in ("into", "material", "gate") if key in duct]
        parts = [
            f'"{f}"' if isinstance(f, str) else f"{{ reducer = {f['reducer'] * 25.4} }}"
            for f in duct.get("fittings", [])
        ]
        lines.append(f"fittings = [{', '.join(parts)}]")
        if "hood" in duct:
            hood = duct["hood"]
            wanted = f", flow = {flow(hood['flow'])}" if "flow" in hood else ""
            tool = f", tool = {json.dumps(hood['tool'])}" if "tool" in hood else ""
            lines.append(f'hood = {{ entry = "{hood["entry"]}"{wanted}{tool} }}')
    return text.split("\n[airflow]", maxsplit=1)[0] + "\n".join(["", *lines, ""])
