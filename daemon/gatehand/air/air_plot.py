"""`airflow --plot FILE.svg`: for each collector one set of open gates, as a chart of fan and ducts and as a duct tree.

Chart and tree show the same set with the same figures; other sets are faint lines in the chart. Made to be read on a
phone and in black and white.
"""

from collections.abc import Sequence

from gatehand.air.analysis import AssessedSet
from gatehand.air.duct_model import DuctSystem
from gatehand.air.plot_cases import Looked, OtherFan, cases
from gatehand.air.plot_curves import chart
from gatehand.air.plot_sheet import Sheet
from gatehand.air.plot_tree import tree
from gatehand.text import listed
from gatehand_air.ducting import Lack

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
    view = _slowest(report.views)
    system = report.system
    sheet.heading(f"Collector {system.collector}")
    gates = sorted(view.assessment.gates)
    sheet.text(f"Open: {listed(gates, last='and')}" if gates else "Every gate is shut", bold=True)
    if len(report.views) > 1:
        sheet.text(f"The slowest of {len(report.views)} sets of gates; for another one give --open.")
    second = _same_ducts(system, other) if other is not None else None
    drawn = cases(system, view, second, other.name if other is not None else "")
    chart(sheet, drawn, _others(report.views, view))
    sheet.heading("Ducts")
    tree(sheet, drawn)
    sheet.gap(8)
    sheet.text("± is right in 19 cases of 20. All figures are worked out, not measured.")


def _same_ducts(system: DuctSystem, other: OtherFan) -> DuctSystem | None:
    return next((r.system for r in other.reports if r.system.collector == system.collector), None)


def _others(views: Sequence[AssessedSet], drawn: AssessedSet) -> list[AssessedSet]:
    """Each demand alone, but the set that is drawn."""
    alone = [view for view in views if any(len(together) == 1 for together in view.asked.demands)]
    found = {view.assessment.gates: view for view in alone if view.assessment.gates != drawn.assessment.gates}
    return list(found.values())


def _slowest(views: Sequence[AssessedSet]) -> AssessedSet:
    """Of the sets that can be asked for, the one with the duct furthest below its velocity; else the first."""

    def share(view: AssessedSet) -> float:
        return min((s.share for s in view.assessment.shorts if s.lack is Lack.SLOW_DUCT), default=1.0)

    return min((view for view in views if view.is_asked), key=share, default=views[0])
