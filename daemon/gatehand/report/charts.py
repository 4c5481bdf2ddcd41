"""Charts as inline SVG for a narrow screen: as wide as the page lets them be, letters never smaller than the text's.

Drawn for a width of 360; colours come from the page's own style, so that they follow a dark screen.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Final
from xml.sax.saxutils import escape

WIDTH: Final = 360
_LEFT, _RIGHT = 34, 8
_FONT: Final = 12


def columns(labels: Sequence[str], values: Sequence[float], unit: str, title: str) -> str:
    """Upright bars; labels under as many of them as have room."""
    height, base, top = 170, 142, 22
    most = max([*values, 0.0])
    step = _round_step(most)
    ceiling = max(step, step * -(-most // step))
    width = WIDTH - _LEFT - _RIGHT
    shapes = [_text(_LEFT, 12, unit, "start", "faint")]
    for at in range(int(ceiling / step + 0.5) + 1):
        y = base - (base - top) * at * step / ceiling
        shapes += [
            f'<line x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" class="grid"/>',
            _text(_LEFT - 4, y + 4, f"{at * step:g}", "end", "faint"),
        ]
    slot = width / max(len(values), 1)
    every = max(1, -(-(max(len(label) for label in labels) * 7 + 6) * len(values) // width)) if labels else 1
    for at, (label, value) in enumerate(zip(labels, values, strict=True)):
        x, tall = _LEFT + at * slot, (base - top) * value / ceiling
        bar = max(1.0, slot * 0.8)
        if value > 0:
            tip = f"<title>{escape(label)}: {value:.3g} {escape(unit)}</title>"
            shapes.append(
                f'<rect x="{x + (slot - bar) / 2:.1f}" y="{base - max(tall, 1):.1f}" width="{bar:.1f}" '
                f'height="{max(tall, 1):.1f}" class="bar">{tip}</rect>'
            )
        if at % every == 0 and label:
            shapes.append(_text(x + slot / 2, base + 16, label, "middle", "faint"))
    return _svg(height, title, shapes)


def bars(rows: Sequence[tuple[str, float, str]], title: str) -> str:
    """Level bars: (name, value, what stands at the end). The name stands above its bar, so that long ones have room."""
    most = max((value for _, value, _ in rows), default=0.0) or 1.0
    shapes, y = [], 14.0
    for name, value, note in rows:
        shapes += [
            _text(0, y, name, "start", ""),
            _text(WIDTH, y, note, "end", "faint"),
            f'<rect x="0" y="{y + 5:.0f}" width="{WIDTH}" height="9" class="track"/>',
            f'<rect x="0" y="{y + 5:.0f}" width="{WIDTH * value / most:.1f}" height="9" class="bar"/>',
        ]
        y += 36
    return _svg(int(y - 12), title, shapes)


def meter(share: float, stands: str, title: str) -> str:
    """How much of an interval has run."""
    shapes = [
        f'<rect x="0" y="2" width="{WIDTH}" height="12" class="track"/>',
        f'<rect x="0" y="2" width="{WIDTH * min(max(share, 0.0), 1.0):.1f}" height="12" class="{stands}"/>',
    ]
    return _svg(16, title, shapes)


def by_time(hours: Mapping[str, float]) -> tuple[list[str], list[float], str]:
    """Days as columns, or weeks or months where days would be too many: labels, values, and the word for one."""
    if not hours:
        return [], [], "day"
    days = sorted(hours)
    first, last = date.fromisoformat(days[0]), date.fromisoformat(days[-1])
    span = (last - first).days + 1
    if span <= 45:  # noqa: PLR2004 - what has room
        every = [date.fromordinal(first.toordinal() + i) for i in range(span)]
        return [f"{day.day} {day:%b}" for day in every], [hours.get(day.isoformat(), 0.0) for day in every], "day"
    word = "week" if span <= 45 * 7 else "month"
    sums: dict[str, float] = {}
    for ordinal in range(first.toordinal(), last.toordinal() + 1):
        day = date.fromordinal(ordinal)
        label = f"W{day.isocalendar().week}" if word == "week" else f"{day:%b}"
        key = f"{day.isocalendar().year}-{day.isocalendar().week:02}" if word == "week" else f"{day:%Y-%m}"
        sums[f"{key} {label}"] = sums.get(f"{key} {label}", 0.0) + hours.get(day.isoformat(), 0.0)
    return [key.split(" ")[1] for key in sums], list(sums.values()), word


def _round_step(most: float) -> float:
    """A step that gives two to five lines."""
    if most <= 0:
        return 1.0
    size = 10.0 ** (len(str(int(most))) - 1) if most >= 1 else 0.1
    return next(step for step in (size / 4, size / 2, size, 2 * size, 5 * size) if most / step <= 4.5)  # noqa: PLR2004


def _text(x: float, y: float, words: str, anchor: str, kind: str) -> str:
    of = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{_FONT}" text-anchor="{anchor}"{of}>{escape(words)}</text>'


def _svg(height: int, title: str, shapes: Sequence[str]) -> str:
    head = f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(title, {chr(34): "&quot;"})}">'
    return "".join((head, f"<title>{escape(title)}</title>", *shapes, "</svg>"))
