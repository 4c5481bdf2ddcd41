"""What was sized as the duct tables of a config, ready to be pasted, and as the config that `airflow` would look at."""

from collections.abc import Iterator
from typing import Any, Final

from gatehand.air.duct_model import duct_system
from gatehand.air.sizing_job import COLLECTOR, Job
from gatehand.config import Config
from gatehand.config.ducts import DuctTable
from gatehand.config.tables import CollectorTable, GateTable
from gatehand.text import toml_text
from gatehand_air.ducting import Assessment
from gatehand_air.fittings import default_flow, kind_of
from gatehand_air.layout import HOSE, SAME, TAPER, Piece, PieceFitting, Reducer
from gatehand_air.sizing import Sized

_DIGITS: Final = 6
_BARE: Final = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-"


def tables(job: Job, sized: Sized) -> dict[str, dict[str, Any]]:
    """[duct.NAME] by name, in the job's units."""
    return {piece.name: _table(job, piece) for piece in sized.laid.pieces}


def _table(job: Job, piece: Piece) -> dict[str, Any]:
    of = job.units
    found: dict[str, Any] = {"into": piece.into} if piece.into is not None else {}
    found |= {"diameter": _rounded(piece.diameter / of.diameter), "length": _rounded(piece.length / of.length)}
    if piece.name == piece.run:
        found |= job.ducts.get(piece.run, {})
    elif piece.material == HOSE:
        found["material"] = HOSE
    if piece.fittings:
        found["fittings"] = [_fitting(job, each) for each in piece.fittings]
    if piece.gate is not None:
        found["gate"] = piece.gate
    if piece.opening is not None:
        hood = dict(job.hoods.get(piece.run, {}))
        tools = hood.get("tool", [])
        named = [tools] if isinstance(tools, str) else tools
        default = default_flow(tuple(named), piece.diameter)
        by_port = "flow" not in hood and any(kind_of(tool) is None for tool in named)
        if by_port and (
            default is None or abs(default.flow / piece.opening.flow - 1) > SAME
        ):  # it changes with the port
            hood["flow"] = float(f"{piece.opening.flow / of.flow:.4g}")
        found["hood"] = hood
    return found


def _fitting(job: Job, fitting: PieceFitting) -> object:
    match fitting:
        case Reducer(to=to):
            return {"reducer": _rounded(to / job.units.diameter), "angle": TAPER}
        case str():
            return fitting
        case _:
            return {"k": _rounded(fitting)}


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def as_toml(job: Job, sized: Sized) -> Iterator[str]:
    """One line for each duct, and what else the config needs as remarks, for those tables are there already."""
    yield "[duct]"
    for name, table in tables(job, sized).items():
        yield f"{_key(name)} = {_inline(table)}{_steps(job, sized, name)}"
    for need in sized.needs:
        if need.asked.assist and len(need.asked.who) == 1:
            gates = _inline(sorted(need.asked.assist))
            yield from (f"# [tool.{_key(tool)}] assist = {gates}" for tool in job.tools[need.asked.who[0]])
    yield f"# [collector.{_key(job.collector)}] max_open = {sized.max_open}"


def _steps(job: Job, sized: Sized, name: str) -> str:
    """A remark on a factor that nobody gave: the step from a port that is wider than its duct."""
    piece = sized.laid.by_name[name]
    port = piece.opening.port if piece.opening is not None else None
    if port is None or port <= piece.diameter or not any(isinstance(each, float) for each in piece.fittings):
        return ""
    return f"  # the first k is the step from the port of {port / job.units.diameter:.4g} {job.units.diameter_word}"


def _key(name: str) -> str:
    return name if name and all(char in _BARE for char in name) else toml_text(name)


def _inline(value: object) -> str:
    """A value as TOML writes it in one line."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return toml_text(value)
        case dict():
            return "{ " + ", ".join(f"{_key(key)} = {_inline(each)}" for key, each in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(_inline, value)) + "]"
        case _:
            return f"{value:g}" if float(f"{value:g}") == value else repr(value)


def as_config(job: Job, sized: Sized) -> Config:
    """The config with these ducts. A file names no devices: topics stand in for them, for nothing is sent."""
    ducts = {name: DuctTable.model_validate(table) for name, table in tables(job, sized).items()}
    found: dict[str, Any] = {"duct": job.config.duct | ducts}
    if not job.config.collector:
        switch = {"command": {"topic": "-", "on": "1", "off": "0"}, "max_open": sized.max_open}
        found["collector"] = {COLLECTOR: CollectorTable.model_validate(switch)}
        drive = {"command": {"topic": "-", "open": "1", "shut": "0"}}
        gates = (piece.gate for piece in sized.laid.pieces if piece.gate is not None)
        found["gate"] = {gate: GateTable.model_validate(drive) for gate in gates}
    return job.config.model_copy(update=found)


def with_fan(job: Job, sized: Sized) -> tuple[Assessment, ...]:
    """Each set solved with the fan that is there, as `airflow` does; empty without a fan."""
    if job.collector not in job.config.fan:
        return ()
    ducting = duct_system(as_config(job, sized), job.collector).ducting
    hoods = sized.laid.hoods
    return tuple(
        ducting.assess(need.asked.opens, {hoods[run] for run in need.asked.dusty if run in hoods})
        for need in sized.needs
    )
