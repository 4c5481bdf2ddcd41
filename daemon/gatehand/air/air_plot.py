"""`airflow --plot FILE.svg`: for each collector one set of open gates, as a chart of fan and ducts and as a duct tree.

Chart and tree show the same set with the same figures; other sets are faint lines in the chart. Made to be read on a
phone and in black and white.
"""

import math
from collections.abc import Sequence

from gatehand.air.analysis import AssessedSet
from gatehand.air.duct_model import DuctSystem
from gatehand.air.plot_cases import Looked, OtherFan, cases
from gatehand.air.plot_curves import chart
from gatehand.air.plot_sheet import Sheet
from gatehand.air.plot_tree import tree
from gatehand.text import listed, named
from gatehand_air.solve import Solution

__all__ = ["OtherFan", "svg"]


def svg(reports: Sequence[Looked], other: OtherFan | None = None) -> str:
    """The whole drawing. Several sets: the one that is slowest; each demand alone is a faint line in the chart.

    `other`: a second fan on the same ducts, drawn beside the first with the working points of the same set.
    """
    sheet = Sheet()
    for report in reports:
        _report(sheet, report, other)
        sheet.gap(20)
    names = ", ".join(report.system.collector for report in reports)
    return sheet.document(f"Fan and ducts of collector {names}")


def _report(sheet: Sheet, report: Looked, other: OtherFan | None) -> None:
    system = report.system
    asked = [view for view in report.views if view.is_asked] or report.views
    view = min(asked, key=lambda view: _slowness(system, view))
    sheet.heading(f"Collector {system.collector}")
    gates = sorted(view.assessment.gates)
    shut = "Every gate is shut" if system.gates else "No gate: always open"
    sheet.text(f"Open: {listed(gates, last='and')}" if gates else shut, bold=True)
    if len(asked) > 1:
        which = "slowest" if _slowness(system, view) < math.inf else "first"
        sheet.text(f"The {which} of {named(len(asked), 'set')} of gates; for another one give --open.")
    second = _same_ducts(system, other) if other is not None else None
    drawn = cases(system, view, second, other.name if other is not None else "")
    chart(sheet, drawn, _others(report.views, view))
    sheet.heading("Ducts")
    tree(sheet, drawn)
    sheet.gap(8)
    if any(case.shown is not None for case in drawn):
        sheet.text("± holds in 19 cases of 20. All figures are worked out, not measured.")


def _same_ducts(system: DuctSystem, other: OtherFan) -> DuctSystem | None:
    return next((r.system for r in other.reports if r.system.collector == system.collector), None)


def _others(views: Sequence[AssessedSet], drawn: AssessedSet) -> list[AssessedSet]:
    """Each demand alone, but the set that is drawn."""
    alone = [view for view in views if any(len(together) == 1 for together in view.asked.demands)]
    found = {view.assessment.gates: view for view in alone if view.assessment.gates != drawn.assessment.gates}
    return list(found.values())


def _slowness(system: DuctSystem, view: AssessedSet) -> float:
    """The least velocity in a duct with dust in it, as a part of what is wanted; endless where there is no answer."""
    ducting, assessment = system.ducting, view.assessment
    answers = [one for one in (assessment.clean, assessment.dirty) if isinstance(one, Solution)]
    wanted = ducting.wanted_for(assessment.dusty)
    speeds = (
        (speed, wanted[duct]) for one in answers for duct, speed in ducting.velocities(one).items() if duct in wanted
    )
    return min((speed / want for speed, want in speeds), default=math.inf)
