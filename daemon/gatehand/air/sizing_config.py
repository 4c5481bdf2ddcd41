"""A config's own ducts as runs to be sized again: lengths and joins stay, diameters and reducers are sought."""

from typing import Any

from gatehand.air.duct_model import DuctSystem
from gatehand.air.sizing_file import SizingFileError
from gatehand.air.sizing_job import Askers, Job
from gatehand.config import Config
from gatehand.config.ducts import DuctTable
from gatehand_air.fan_need import Plan
from gatehand_air.fittings import INCHES, MATERIALS, MILLIMETRES
from gatehand_air.gate_sets import Asker
from gatehand_air.layout import Opening, Run


def from_config(config: Config, system: DuctSystem) -> Job:
    """A collector's ducts as the config has them, but for their diameters and reducers, and the sets it can ask for.

    Raises:
        SizingFileError: a hood of which nobody knows what it wants.
    """
    of, ducting = system.units, system.ducting
    names = [name for name in config.duct if name in ducting.areas]
    for end in ducting.network.ends:
        if end.name not in system.wants:
            raise SizingFileError(
                f"duct {end.name}: nobody knows how much air its hood needs: give hood.flow or hood.tool"
            )
    askers = Askers()
    for demand in system.demands:
        askers.add(demand.name, demand.gates, demand.hoods, by_hand=demand.asker is Asker.HAND)
    label = askers.label
    ways = (way for one in system.sets for way in one.demands)
    inlet = next((each.reducer for each in config.duct[ducting.network.root.name].fittings if each.reducer), None)
    plan = Plan(
        runs=tuple(_run(name, config.duct[name], system) for name in names),
        asked=askers.sets(frozenset(label[demand.name] for demand in way) for way in ways),
        sold=INCHES if of.name == "us" else MILLIMETRES,
        air=ducting.air,
        branch_velocity=ducting.branch_velocity,
        main_velocity=ducting.main_velocity,
        clean=ducting.clean_filter,
        dirty=ducting.dirty_filter,
        inlet=None if inlet is None else inlet * of.diameter,
        law=ducting.law,
    )
    return Job(
        plan=plan,
        collector=system.collector,
        units=of,
        tools=askers.tools,
        wants=system.wants,
        dusts={},
        hoods={name: _set_keys(config.duct[name], "hood") for name in names if config.duct[name].hood is not None},
        ducts={name: _set_keys(config.duct[name]) for name in names},
        config=config,
    )


def _run(name: str, table: DuctTable, system: DuctSystem) -> Run:
    """One duct, in no size."""
    of, duct = system.units, system.ducting.network.duct(name)
    fittings = [each.name if each.name is not None else each.k for each in table.fittings if each.reducer is None]
    opening = None
    if duct.entry is not None:
        flow = system.wants[name].flow
        opening = Opening(flow=flow, entry=duct.entry, dust_velocity=duct.dust_velocity, machine=duct.machine)
    rough = table.roughness
    return Run(
        name=name,
        into=table.into,
        length=table.length * of.length,
        material=table.material,
        roughness=MATERIALS[table.material].roughness if rough is None else rough * of.roughness,
        fittings=tuple(each for each in fittings if each is not None),
        gate=table.gate,
        opening=opening,
        leak=duct.leak,
    )


def _set_keys(table: DuctTable, of: str | None = None) -> dict[str, Any]:
    """The keys that were written, those apart that the sizing gives."""
    written: dict[str, Any] = table.model_dump(exclude_unset=True)
    if of is not None:
        keys = dict(written[of])
        if (machine := keys.get("machine_loss")) is not None and machine["loss"] == 0:
            keys["machine_loss"] = 0  # as it was written: nothing, at any flow
        return keys
    ours = ("into", "diameter", "length", "fittings", "gate", "hood")
    return {key: value for key, value in written.items() if key not in ours}
