"""`airflow --plot FILE.svg`: for each collector the curves, and the duct tree of one set of open gates."""

from collections.abc import Sequence

from gatehand.air import plot_curves, plot_tree
from gatehand.air.look import Report, View
from gatehand.svg import Drawing
from gatehand_air.ducting import Lack

GAP = 60.0


def svg(reports: Sequence[Report]) -> str:
    """The whole drawing. Several sets: each demand alone as a curve, and the tree of the one that is slowest."""
    drawing = Drawing()
    top = 40.0
    for report in reports:
        alone = [view for view in report.views if any(len(together) == 1 for together in view.asked.demands)]
        top = plot_curves.draw(drawing, report.shop, alone or report.views, top)
        plot_tree.draw(drawing, report.shop, _slowest(report.views), top)
        top = drawing.height + GAP
    return drawing.document("Fan, systems and ducts: " + ", ".join(report.shop.collector for report in reports))


def _slowest(views: Sequence[View]) -> View:
    """Of the sets that can be asked for, the one with the duct furthest below its velocity; else the first."""

    def share(view: View) -> float:
        return min((s.found / s.wanted for s in view.picture.shorts if s.lack is Lack.SLOW_DUCT), default=1.0)

    return min((view for view in views if view.is_asked), key=share, default=views[0])
