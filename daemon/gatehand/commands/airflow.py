"""`gatehand airflow`: does each hood get what it needs, for every set of gates that can be open?"""

import argparse
import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands import WRONG_USAGE, CommandError, configured, device_name, ending, no_such, print_json
from gatehand.config import Config, codes
from gatehand.terminal import show

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gatehand.air.analysis import Report
    from gatehand.air.fan_compare import BothFans

GARBAGE_FROM = 1_000_000
"""New objects, before unused ones are looked for."""
OWN_DUCTS = Path()
"""What --size means without a file."""
_HELP = """\
Works out the air in the ducts for each set of gates that the config can ask for: each tool alone, each hand start,
pairs (or more, up to max_open), and all. Shows the flow at each hood against the flow it needs, the
velocity in each duct against its transport velocity, the fan's working point and the suction with a clean and a dirty
filter, what falls short, and what would fix it, as TOML. Flows, velocities and suctions have their ±; a figure
whose ± spans what is wanted is too close to call. Exits 0 when no set that can be asked for falls short, 1 when one
does or the fan's curve does not reach so far, 2 for wrong usage.

With --json `flow`, `pressure` (the fan's, static), `suction`, `ducts` and `hoods` are for the clean filter; `dirty`
has the same for the dirty one. Numbers are in the config's units.
"""

_MEASURED = """\
a file of readings; finds how much of its curve the fan gives and what the filter loses (least squares), each with
its ±, says which reading, stretch, hood or filter is off, and works with the fitted fan. TOML, in the config's units,
one [[reading]] for each set of gates that was measured: filter = "clean" (or "dirty": as it was), accuracy = 0.05 (how
far a reading may be off, here 5 %%: common practice, no published source), then [[reading]] open = ["band_saw"], and
any of hood = { band_saw = 710 } (flow), duct = { main = 3600 } (mean velocity; one read in the middle of a duct is 10
to 25 %% higher: centreline = { main = 4400 }), suction = 7.2 (static, at the collector),
taps = { main = [[0.5, 6.7], [4, 6.9]] } (static suction at a distance from the duct's hood end), filter_loss = 0.6
(across the filter). At least 3 readings, better 6. deploy/measured-air.toml is an example
"""

_SIZE = """\
sizes ducts that are not hung yet: one diameter for each from the sizes sold, what the fan has to give, the bill of
parts, the tables for the config. Without FILE the config's own ducts are sized again. FILE is TOML, in the units of its
[airflow]: [run.NAME] length, and any of into (the next run towards the fan), at (where it joins that, from the fan's
end), join (the angle, or "straight"), elbows = { elbow_90 = 2 }, hose, and at a machine tool, flow, dust (fine,
shavings, heavy), port, entry, gate; ahead of the tables sold = [4, 5, 6], stick, inlet, at_once, together; [fan] as in
the config. deploy/ducts-to-size.toml is an example. Exits 1 when the fan that is given falls short
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = _HELP
    parser.add_argument("--open", metavar="GATE,GATE", help="only this set of open gates")
    parser.add_argument("--full", action="store_true", help="every set in full, even where nothing falls short")
    parser.add_argument("--measured", metavar="FILE", type=Path, help=_MEASURED)
    parser.add_argument(
        "--plot",
        metavar="FILE.svg",
        type=Path,
        help="draw the curves of fan and ducts, and the duct tree with its velocities, for --open or the slowest set; "
        "with --fan both fans",
    )
    parser.add_argument(
        "--fan", metavar="NAME", help="beside the collector's own fan another one of the config, [fan.NAME]"
    )
    parser.add_argument("--sources", action="store_true", help="where every figure is from, and which are from memory")
    parser.add_argument("--size", metavar="FILE", nargs="?", type=Path, const=OWN_DUCTS, help=_SIZE)
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Look, print, draw."""
    if args.size is not None and args.size != OWN_DUCTS:
        return _size(args, None)
    config, loaded, _ = configured(args.config)
    if not config.duct:
        raise CommandError(
            f"{args.config}: the config has no ducts: describe them in [airflow], [fan.NAME] and [duct.NAME]"
        )
    doubtful = [each for each in loaded.problems if each.code == codes.UNITS_DOUBTFUL.name]
    show(map(str, doubtful), sys.stderr)  # every figure below would be of another shop
    args.fan = _fan(config, args.fan)
    if args.size is not None:
        return _size(args, config)
    before = gc.get_threshold()
    gc.set_threshold(GARBAGE_FROM)  # nearly all that is made is kept to the end
    try:
        return _show(args, config, None if args.open is None else _gates(config, args.open))
    finally:
        gc.set_threshold(*before)


def _size(args: argparse.Namespace, config: Config | None) -> int:
    """Size the runs of a file, or a config's ducts anew."""
    from gatehand.air.duct_model import duct_systems
    from gatehand.air.sizing_config import from_config
    from gatehand.air.sizing_file import SizingFileError, read
    from gatehand.air.sizing_job import from_file
    from gatehand.air.sizing_report import Answer, as_json, as_text
    from gatehand_air.fan_need import NoSuctionError
    from gatehand_air.sizing import size

    for option in ("open", "measured", "plot", "fan"):
        if getattr(args, option) is not None:
            raise CommandError(f"--size goes without --{option}", WRONG_USAGE)
    with ending(SizingFileError, NoSuctionError):
        jobs = (
            [from_file(read(args.size))]
            if config is None
            else [from_config(config, system) for system in duct_systems(config)]
        )
        answers = [Answer(job, size(job.plan)) for job in jobs]
    if args.json:
        print_json(as_json(answers, jobs[0].units.name))
    else:
        for text, is_toml in as_text(answers):
            if is_toml:
                print(text)
            else:
                show([text])
    return int(not all(answer.holds for answer in answers))


def _gates(config: Config, asked: str) -> frozenset[str]:
    """The gates named, with commas between; one that is not there, or has no duct, ends the command."""
    gates = frozenset(device_name(name) for name in asked.split(",") if name.strip())
    ducted = {duct.gate for duct in config.duct.values()}
    for gate in sorted(gates):
        if gate not in config.gate and (tool := config.tool.get(gate)) is not None:
            named = f"name its {'gate' if len(tool.gates) == 1 else 'gates'}, {', '.join(tool.gates)}"
            text = f"--open: {gate!r} is a tool: {named if tool.gates else 'it has no gate to open'}"
            raise CommandError(text, WRONG_USAGE)
        if gate not in config.gate:
            raise no_such("--open: there is no gate", gate, sorted(config.gate))
        if gate not in ducted:
            text = f"--open: gate {gate!r} has no duct: give one in the config, [duct.NAME] with gate = {gate!r}"
            raise CommandError(text, WRONG_USAGE)
    return gates


def _fan(config: Config, name: str | None) -> str | None:
    """The fan named with --fan."""
    if name is not None and name not in config.fan:
        raise no_such("--fan: there is no fan", name, sorted(config.fan))
    return name


def _show(args: argparse.Namespace, config: Config, only: frozenset[str] | None) -> int:
    from gatehand.air.air_report import as_json, as_text
    from gatehand.air.analysis import analyse
    from gatehand.air.duct_model import duct_systems
    from gatehand.air.fan_compare import fans_as_json, fans_as_text
    from gatehand.air.measured import Fitted, apply, informed
    from gatehand.air.measured_words import fit_as_text
    from gatehand.air.readings_file import MeasuredError, read
    from gatehand.air.sources import sources

    fits: tuple[Fitted, ...] = ()
    if args.measured is not None:
        with ending(MeasuredError):
            config, fits = apply(config, read(args.measured))
    reports = []
    for system in informed(duct_systems(config), fits):
        here = None if only is None else only & system.gates
        if here or not only:
            reports.append(analyse(config, system, here))
    if args.plot is not None:
        _draw(args.plot, config, reports, args.fan)
    fans = {} if args.fan is None else _both(config, reports, args.fan, only)
    if args.json:
        others = [fans_as_json(both, name, args.fan) for name, both in fans.items()]
        print_json(as_json(reports, config.airflow.units, fits) | ({"fans": others} if fans else {}))
        return _exit(reports, only)
    for fitted in fits:
        show([fit_as_text(fitted)])
    if args.sources:
        show(line for report in reports for line in sources(config, report.system))
    for number, (name, both) in enumerate(fans.items()):
        show([*([""] if number or args.sources else []), *fans_as_text(both, name, args.fan)])
    if not (fans or args.sources):
        show([as_text(reports, full=args.full or only is not None)])
    return _exit(reports, only)


def _both(
    config: Config, reports: "Sequence[Report]", fan: str, only: frozenset[str] | None
) -> "dict[str, tuple[BothFans, ...]]":
    from gatehand.air.fan_compare import both_fans

    found = {}
    for system in (report.system for report in reports):
        here = None if only is None else only & system.gates
        found[system.collector] = both_fans(config, system, fan, here)
    return found


def _exit(reports: "Sequence[Report]", only: frozenset[str] | None) -> int:
    """1 where something falls short beyond doubt, or nobody knows; too close to call is no shortfall."""
    return int(
        any(view.assessment.fails for report in reports for view in report.views if view.is_asked or only is not None)
    )


def _draw(path: Path, config: Config, reports: "Sequence[Report]", fan: str | None) -> None:
    from gatehand.air.air_plot import OtherFan, svg
    from gatehand.air.fan_compare import looked_with

    other = None if fan is None else OtherFan(fan, [looked_with(config, report, fan) for report in reports])
    try:
        path.write_text(svg(reports, other), encoding="utf-8")
    except OSError as error:
        text = f"--plot: {path} cannot be written ({error.strerror}): name a file in a folder that is there"
        raise CommandError(text) from error
