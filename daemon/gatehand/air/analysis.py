"""Looks at every set of gates that a shop can ask for, and for what would cure what falls short. Facts, no output."""

from collections.abc import Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air.duct_model import DuctSystem, resized
from gatehand.config import Config
from gatehand_air.answers import Book, Case
from gatehand_air.assists import Help, Helpers, helping_gate
from gatehand_air.ducting import Assessment, Ducting, Lack, Short, Verdict
from gatehand_air.fittings import INCHES, MILLIMETRES
from gatehand_air.gate_sets import Admit, Asker, GateDemand, GateSet, gate_sets
from gatehand_air.resize import Changes, changes
from gatehand_air.run_on import LeastRunOn, least_run_ons
from gatehand_air.told import Cure, told
from gatehand_air.wholes import Search, Whole


class AssessedSet(Struct, frozen=True):
    """One set of open gates: who asks for it, how it does, and which gate would help where it is slow."""

    asked: GateSet
    assessment: Assessment
    helped: Help | None

    @property
    def is_asked(self) -> bool:
        """Whether the config can ask for it; all gates at once may be shown although it cannot."""
        return bool(self.asked.demands)


class Gain(Struct, frozen=True):
    """What a new assist does for a tool alone: its worst shortfall as it is, and the slow duct's speed then, m/s.

    `close`: what is too close to call then; None where all is met also at the lower end of the spread.
    """

    short: Short
    speed: float
    close: Short | None


class Proposals(Struct, frozen=True):
    """What would cure what falls short.

    Fields:
        cure: one whole of `max_open` and assists, and what it does.
        run_ons: every tool's least run-on with that whole.
        gains: by tool whose assist changes and which that cures.
        sizes: single changes of the ducts, with the config as it is.
    """

    cure: Cure
    run_ons: Sequence[LeastRunOn]
    gains: Mapping[str, Gain]
    sizes: Changes


class Report(Struct, frozen=True):
    """One collector's ducts, looked at. `run_ons`: by tool, as configured, seconds."""

    system: DuctSystem
    run_ons: Mapping[str, float]
    views: tuple[AssessedSet, ...]
    proposals: Proposals


class Study:
    """One collector's ducts, with what was worked out of them already."""

    def __init__(self, config: Config, of: DuctSystem) -> None:
        self.config, self.of = config, of
        self.book = Book(of.ducting)
        moved = frozenset(gate for gate in of.gates if config.gate[gate].command is not None)
        owners = {gate: tuple(n for n, tool in config.tool.items() if gate in tool.gates) for gate in moved}
        self.helpers = Helpers(moved, of.clean_air & moved, owners)
        self.kept = Whole(of.max_open, {d.name: d.assist for d in of.demands if d.asker is Asker.TOOL})
        least = config.collector[of.collector].min_open
        self.search = Search(self.book, of.demands, self.admits, self.helpers, least)

    def admits(self, limit: int | None) -> Admit:
        """What the rules open with this `max_open`."""
        return replace(self.of, max_open=limit).admit

    def cure(self) -> Cure:
        """The best whole, and what it does."""
        return told(self.search, self.kept, self.search.settle(self.kept))

    def least_run_ons(self, whole: Whole) -> tuple[LeastRunOn, ...]:
        """Every tool's, with the values of a whole."""
        demands = tuple(map(whole.of, self.of.demands))
        admit = self.search.admits(whole.max_open)
        spins = {demand.name: spin_down(self.config, demand.hoods) for demand in demands}
        return least_run_ons(self.book, demands, gate_sets(demands, admit, whole.max_open), admit, spins)

    def gains(self, cure: Cure) -> dict[str, Gain]:
        """By tool that a new assist cures."""
        found = {}
        for one in cure.cured:
            case = self.search.case(cure.whole, one.demand)
            if case is not None and one.demand.name in cure.changed and one.demand.asker is Asker.TOOL:
                worst = one.worst
                speed = self.book.speed(case, worst.where) if worst.lack is Lack.SLOW_DUCT else 0.0
                found_then = self.of.ducting.assess(case.gates, case.dusty).shorts
                close = [short for short in found_then if short.verdict is Verdict.CLOSE]
                found[one.demand.name] = Gain(worst, speed, min(close, key=lambda short: short.share, default=None))
        return found

    def sizes(self) -> Changes:
        """Single changes of the ducts."""
        config, of = self.config, self.of
        sold = INCHES if of.units.name == "us" else MILLIMETRES

        def resize(sizes: Mapping[str, float]) -> Ducting:
            return resized(config, of, sizes)

        first: dict[Case, GateDemand] = {}
        for demand in of.demands:  # of those that ask for the same, one
            if (case := self.search.case(self.kept, demand)) is not None:
                first.setdefault(case, demand)
        alone = tuple((demand, case) for case, demand in first.items())
        several = tuple(Case(one.gates, one.dusty) for one in of.sets if one.together > 1)
        return changes(self.book, alone, several, sold, resize)


def analyse(config: Config, of: DuctSystem, only: frozenset[str] | None = None) -> Report:
    """All sets that can be asked for, or `only` one, and the proposals."""
    study = Study(config, of)
    if only is None:
        asked = of.sets
        if all(one.gates != of.gates for one in asked):  # people want to know it, also where nobody can ask for it
            asked = (*asked, GateSet(of.gates, of.ducting.network.behind(of.gates), ()))
    else:
        who = tuple(d for d in of.demands if d.gates <= only)
        asked = (GateSet(only, of.ducting.network.behind(only), (who,)),)
    assessed = zip(asked, study.book.assess_all(asked), strict=True)
    views = tuple(AssessedSet(one, found, _help(study, one, found)) for one, found in assessed)
    run_ons = {tool: config.tool[tool].run_on for tool in study.kept.assists}
    return Report(of, run_ons, views, propose(study))


def propose(study: Study) -> Proposals:
    """What would cure what falls short."""
    cure = study.cure()
    return Proposals(cure, study.least_run_ons(cure.whole), study.gains(cure), study.sizes())


def spin_down(config: Config, hoods: frozenset[str]) -> float:
    """The longest spin-down given at some hoods, seconds."""
    return max((d.hood.spin_down for n, d in config.duct.items() if d.hood is not None and n in hoods), default=0.0)


def _help(study: Study, asked: GateSet, assessment: Assessment) -> Help | None:
    """One further gate that helps a slow main, where one demand leaves it slow and `max_open` has room for the gate."""
    slow = any(short.lack is Lack.SLOW_DUCT for short in assessment.shorts)
    room = study.of.max_open is None or len(asked.gates) < study.of.max_open
    if not slow or not room or asked.together > 1:
        return None
    return helping_gate(study.book, Case(asked.gates, asked.dusty), study.helpers)
