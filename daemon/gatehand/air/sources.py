"""`airflow --sources`: every figure that the verdicts rest on, where it is from, and what is from memory."""

from collections.abc import Iterator, Mapping

from gatehand.air.duct_model import DuctSystem
from gatehand.config import Config
from gatehand.config.ducts import DuctTable
from gatehand.terminal import columns
from gatehand_air.fittings import ENTRIES, ENTRY_SOURCES, FITTINGS, MATERIALS, factor

YOURS = "yours"


def sources(config: Config, system: DuctSystem) -> Iterator[str]:
    """A table for one collector: figure, value, source; then what of it is from memory."""
    names = {duct.name for duct in system.ducting.network.ducts}
    ducts = {name: duct for name, duct in config.duct.items() if name in names}
    rows = [*_materials(ducts), *_fittings(ducts, system), *_entries(ducts), *_wants(config, system)]
    yield f"collector {system.collector}: what the figures rest on"
    yield from columns([["", "value", "source"], *rows], "  ")
    recalled = [row[0] for row in rows if "[memory]" in row[2]]
    if recalled:
        yield f"From memory, not confirmed: {', '.join(recalled)}. Your own figure wins wherever you give one."


def _materials(ducts: Mapping[str, DuctTable]) -> Iterator[list[str]]:
    for name in dict.fromkeys(duct.material for duct in ducts.values() if duct.roughness is None):
        yield [f"roughness of {name}", f"{MATERIALS[name].roughness * 1000:.3g} mm", MATERIALS[name].source]
    for name, duct in ducts.items():
        if duct.roughness is not None:
            yield [f"roughness of duct {name}", f"{duct.roughness:g}", YOURS]


def _fittings(ducts: Mapping[str, DuctTable], system: DuctSystem) -> Iterator[list[str]]:
    """Each named fitting once, its factor by the sizes of the ducts that carry it."""
    found: dict[str, dict[float, None]] = {}
    for name, duct in ducts.items():
        for fitting in duct.fittings:
            if fitting.name is not None:
                found.setdefault(fitting.name, {})[system.ducting.network.duct(name).diameter] = None
            elif fitting.k is not None:
                found.setdefault("", {})
    for word, sizes in found.items():
        if not word:
            yield ["factors { k = ... }", "as given", YOURS]
            continue
        values = ", ".join(dict.fromkeys(f"{factor(word, size):.2g}" for size in sorted(sizes)))
        yield [f"factor of {word}", values, FITTINGS[word].source]
    if any(fitting.reducer is not None for duct in ducts.values() for fitting in duct.fittings):
        yield ["reducers", "by their sizes", "Borda-Carnot (exact), Rennels' Pipe Flow ch. 10 and Crane TP-410 [pub]"]


def _entries(ducts: Mapping[str, DuctTable]) -> Iterator[list[str]]:
    words: dict[str, None] = {}
    for name, duct in ducts.items():
        if duct.hood is None:
            continue
        if isinstance(duct.hood.entry, str):
            words[duct.hood.entry] = None
        else:
            yield [f"entry of the hood at {name}", f"{duct.hood.entry:g}", YOURS]
    for word in words:
        yield [f"entry of a {word} hood", f"{ENTRIES[word]:g}", ENTRY_SOURCES[word]]


def _wants(config: Config, system: DuctSystem) -> Iterator[list[str]]:
    say, said = system.say, config.airflow
    yield from ([f"flow at {say.hood(hood)}", say.flow(want.flow), want.why] for hood, want in system.wants.items())
    small = "small shops [practice]"
    metric = "20 m/s at woodworking machines, TRGS 553 Annex 2 [pub]"
    branch = YOURS if said.min_velocity is not None else metric if said.units == "metric" else small
    yield ["velocity in branches", say.velocity(system.ducting.branch_velocity), branch]
    main = YOURS if said.main_velocity is not None else "the main of a small shop [practice]"
    yield ["velocity in the main", say.velocity(system.ducting.main_velocity), main]
    yield ["curve of the fan", f"{len(config.fan[system.collector].curve)} points", "yours, or its maker's"]
    given = config.fan[system.collector].filter_loss is not None
    yield ["loss of the filter", "as given" if given else "none", YOURS if given else "nothing given: taken as none"]
    yield ["speed of dust over air", f"{said.particle_speed:g}", "0.7 to 0.9 [memory], 0.5 to be safe"]
    yield ["how well each is known", "see the ±", "common practice, no published source [practice]"]
