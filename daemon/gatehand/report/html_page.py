"""The report as one HTML page: no script, nothing fetched, legible on a phone and on paper.

Its charts are inline SVG, drawn for a width of 360: as wide as the page lets them be, letters never smaller than the
text's. Colours come from the page's own style, so that they follow a dark screen.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from html import escape
from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import spoken_alarm
from gatehand.report.plain_text import cut_notes, energy_notes, energy_rows, hours_of, period_notes, spent, upkeep_words
from gatehand.report.summary import Summary
from gatehand.svg import Point, image, rect_element, text_element
from gatehand.text import named
from gatehand.times import local, local_text, rough
from gatehand_rules.findings import Happened

_WIDTH: Final = 360
_LEFT, _RIGHT = 34, 8
_FONT: Final = 12
_STYLE: Final = """
:root{color-scheme:light dark;--ink:#1b1b1b;--faint:#5c5c5c;--ground:#fff;--card:#f4f4f1;--bar:#1f6f9f;--grid:#dcdcd6;
--soon:#a86b00;--due:#b3261e;--well:#2f7d4f}
@media(prefers-color-scheme:dark){:root{--ink:#eee;--faint:#b0b0b0;--ground:#161616;--card:#222;--bar:#6db7e0;
--grid:#3a3a3a;--soon:#e0a83c;--due:#ff8a80;--well:#7cc796}}
*{box-sizing:border-box}
body{margin:0 auto;padding:16px;max-width:720px;background:var(--ground);color:var(--ink);
font:16px/1.45 system-ui,"DejaVu Sans",sans-serif;overflow-wrap:anywhere}
h1{font-size:1.4rem;margin:.2rem 0}h2{font-size:1.1rem;margin:1.8rem 0 .5rem}p{margin:.3rem 0}.faint{color:var(--faint)}
.tiles{display:grid;grid-template-columns:repeat(2,1fr);gap:10px;margin:1rem 0}
@media(min-width:560px){.tiles{grid-template-columns:repeat(4,1fr)}}
.tile{background:var(--card);border-radius:8px;padding:10px 12px}.tile b{display:block;font-size:1.5rem;line-height:1.2}
svg{display:block;width:100%;height:auto;overflow:visible}svg text{fill:var(--ink)}svg .faint{fill:var(--faint)}
.bar{fill:var(--bar)}.track{fill:var(--grid)}.grid{stroke:var(--grid)}
.well{fill:var(--well);color:var(--well)}.soon{fill:var(--soon);color:var(--soon)}.due{fill:var(--due);color:var(--due)}
table{width:100%;border-collapse:collapse;font-variant-numeric:tabular-nums}
th,td{padding:6px 4px;text-align:right;border-bottom:1px solid var(--grid)}
th{font-weight:600;font-size:.85rem;color:var(--faint)}th,td{white-space:nowrap;overflow-wrap:normal}
th:first-child,td:first-child{text-align:left;padding-left:0}td:first-child{white-space:normal}
td:last-child,th:last-child{padding-right:0}ul{padding-left:1.2rem;margin:.4rem 0}
"""


def page(found: Summary) -> str:
    """The whole page."""
    begin, end = local_text(found.begin_ms)[:10], local_text(found.end_ms)[:10]
    title = f"Shop report, {begin}" + (f" to {end}" if end != begin else "")
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(title)}</h1>",
        *(f'<p class="faint">{escape(note)}</p>' for note in period_notes(found)),
        *_tiles(found),
        *_upkeep(found),
        *_collectors(found),
        *_tools(found),
        *_energy(found),
        *_not_started(found),
        *_happened(found),
        '<p class="faint">From Gatehand\'s event log. Gatehand is not a safety device.</p>',
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"


def _tiles(found: Summary) -> Iterator[str]:
    tools, collectors = list(found.tools()), list(found.collectors())
    missed = sum(one.count for one in found.troubles())
    starts, cuts = sum(row.starts for row in collectors), sum(row.cuts for row in tools)
    fans = "collector on" if len(collectors) < 2 else f"{len(collectors)} collectors on, together"  # noqa: PLR2004
    tiles = (
        (spent(sum(row.hours for row in collectors)), fans),
        (f"{starts:,}", "collector start" if starts == 1 else "collector starts"),
        (f"{cuts:,}", "cut" if cuts == 1 else "cuts"),
        (f"{missed:,}", "not started"),
    )
    yield '<div class="tiles">'
    for value, word in tiles:
        yield f'<div class="tile"><b>{value}</b>{word}</div>'
    yield "</div>"


def _upkeep(found: Summary) -> Iterator[str]:
    if not found.upkeep:
        return
    yield "<h2>Upkeep</h2>"
    for one in found.upkeep:
        yield f'<p><b>{escape(_plain(one.name))}</b> <span class="{one.word}">{escape(upkeep_words(one))}</span></p>'
        yield meter(one.share, one.word, f"{one.name}: {hours_of(one) if one.suction is None else upkeep_words(one)}")


def _collectors(found: Summary) -> Iterator[str]:
    days = found.hours_by_day()
    labels, values, word = by_time({day: sum(hours.values()) for day, hours in days.items()})
    if not labels:
        return
    unit = "hours" if max(values) >= 1 else "minutes"
    fan = "Collector" if len(found.account.collectors) < 2 else "Collectors together"  # noqa: PLR2004
    shown = values if unit == "hours" else [60 * value for value in values]
    yield f"<h2>{fan}, {unit} a {word}</h2>"
    yield columns(labels, shown, f"{unit} a {word}", f"{fan}, {unit} a {word}")
    yield "<h2>Collector starts by the hour of the day</h2>"
    by_hour = [0] * 24
    for times in found.account.switched_on.values():
        for ms in times:
            by_hour[local(ms).hour] += 1
    used = [hour for hour, count in enumerate(by_hour) if count]
    first, last = (min(used), max(used)) if used else (0, 23)
    hours = range(first, last + 1)
    counts = [float(by_hour[hour]) for hour in hours]
    yield columns([str(hour) for hour in hours], counts, "starts", "Starts by hour", least_step=1)
    yield from _table(
        ("collector", "starts", "time", "most in an hour"),
        (
            (
                _plain(row.name),
                f"{row.starts:,}",
                spent(row.hours),
                f"{row.worst_hour} on {local_text(row.worst_began_ms)[5:16]}" if row.worst_hour else "",
            )
            for row in found.collectors()
        ),
    )


def _tools(found: Summary) -> Iterator[str]:
    rows = list(found.tools())
    if not rows:
        return
    yield "<h2>Tools at work</h2>"
    yield bars(
        [
            (_plain(row.tool), row.hours, f"{spent(row.hours)} in {named(row.cuts, 'cut')}")
            for row in sorted(rows, key=lambda one: -one.hours)
        ],
        "Time at work by tool",
    )
    yield from _table(
        ("tool", "longest", "missed", "refused"),
        ((_plain(row.tool), rough(row.longest_s), f"{row.missed:,}", f"{row.refused:,}") for row in rows),
    )
    yield from (f'<p class="faint">{escape(_plain(note))}</p>' for note in cut_notes(found))


def _energy(found: Summary) -> Iterator[str]:
    rows = energy_rows(found)
    if not any(row.mean for row in rows):
        return
    yield "<h2>Energy</h2>"
    yield from _table(("", "mean", "kWh"), ((f"{_plain(row.name)}: {row.how}", row.mean, row.kwh) for row in rows))
    for note in energy_notes(found):
        yield f'<p class="faint">{escape(note)}</p>'


def _not_started(found: Summary) -> Iterator[str]:
    troubles = found.troubles()
    if not troubles:
        return
    yield "<h2>Not started, and why</h2>"
    yield from _table(
        ("what", "how often"),
        ((f"{_plain(one.name)}: {one.because}", f"{one.count:,}") for one in troubles[:20]),
    )


def _happened(found: Summary) -> Iterator[str]:
    account, events = found.account, found.account.events
    yield "<h2>What else happened</h2><ul>"
    for counts, one, most in (
        (account.movements, "gate movement", 3),
        (account.faults, "gate fault", 3),
        (account.alarms, "alarm", 5),
        (account.stops, "press of a stop contact:presses of stop contacts", 3),
    ):
        if counts or counts is account.movements:
            names = ", ".join(f"{spoken_alarm(name)} {count:,}" for name, count in counts.most_common(most))
            yield f"<li>{escape(_counted(counts.total(), one) + (f': {names}' if names else ''))}</li>"
    for count, one in (
        (account.bins_full.total(), "time the bin was full:times the bin was full"),
        (account.rejected.total(), "message rejected:messages rejected"),
        (events[Happened.BROKER_LOST], "time the broker was lost:times the broker was lost"),
        (events[OwnEvent.DAEMON_STARTED], "start of the daemon:starts of the daemon"),
        (events[Happened.COMMAND_VETOED], "command held back:commands held back"),
        (events[OwnEvent.LOG_GAP], "gap in the log:gaps in the log"),
        (events[OwnEvent.CLOCK_STEPPED], "step of the clock:steps of the clock"),
    ):
        if count:
            yield f"<li>{_counted(count, one)}</li>"
    yield "</ul>"


def _counted(count: int, what: str) -> str:
    """`1 cut`, `2,000 cuts`. `what`: the words for one and, after a colon, for several, where an s is not enough."""
    one, _, many = what.partition(":")
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def _table(header: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    yield "<table><thead><tr>" + "".join(f"<th>{escape(cell)}</th>" for cell in header) + "</tr></thead><tbody>"
    for row in rows:
        yield "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>"
    yield "</tbody></table>"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def columns(labels: Sequence[str], values: Sequence[float], unit: str, title: str, *, least_step: float = 0.0) -> str:
    """Upright bars; labels under as many of them as have room. `unit`: begins with a word in its plural."""
    height, base, top = 170, 142, 22
    most = max([*values, 0.0])
    step = max(least_step, _round_step(most))
    ceiling = max(step, step * -(-most // step))
    width = _WIDTH - _LEFT - _RIGHT
    shapes = [_label((_LEFT, 12), unit)]
    for at in range(int(ceiling / step + 0.5) + 1):
        y = base - (base - top) * at * step / ceiling
        shapes += [
            f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" class="grid"/>',
            _label((_LEFT - 4, y + 4), f"{at * step:g}", "end"),
        ]
    slot = width / max(len(values), 1)
    every = max(1, -(-(max(len(label) for label in labels) * 7 + 6) * len(values) // width)) if labels else 1
    for at, (label, value) in enumerate(zip(labels, values, strict=True)):
        x, tall = _LEFT + at * slot, (base - top) * value / ceiling
        bar = max(1.0, slot * 0.8)
        if value > 0:
            place, size = (x + (slot - bar) / 2, base - max(tall, 1)), (bar, max(tall, 1))
            shown = f"{value:.3g}"
            noun, _, rest = unit.partition(" ")
            words = f"{shown} {noun.removesuffix('s') if shown == '1' else noun} {rest}".rstrip()
            shapes.append(rect_element(place, size, f"{label}: {words}", class_="bar"))
        if at % every == 0 and label:
            shapes.append(_label((x + slot / 2, base + 16), label, "middle"))
    return _chart(height, title, shapes)


def bars(rows: Sequence[tuple[str, float, str]], title: str) -> str:
    """Level bars: (name, value, what stands at the end). The name stands above its bar, so that long ones have room."""
    most = max((value for _, value, _ in rows), default=0.0) or 1.0
    shapes, y = [], 14.0
    for name, value, note in rows:
        shapes += [
            _label((0, y), name, kind=""),
            _label((_WIDTH, y), note, "end"),
            rect_element((0, y + 5), (_WIDTH, 9), class_="track"),
            rect_element((0, y + 5), (_WIDTH * value / most, 9), class_="bar"),
        ]
        y += 36
    return _chart(y - 12, title, shapes)


def meter(share: float, stands: str, title: str) -> str:
    """How much of an interval has run."""
    shapes = [
        rect_element((0, 2), (_WIDTH, 12), class_="track"),
        rect_element((0, 2), (_WIDTH * min(max(share, 0.0), 1.0), 12), class_=stands),
    ]
    return _chart(16, title, shapes)


def by_time(hours: Mapping[str, float]) -> tuple[list[str], list[float], str]:
    """Days as columns, or weeks or months where days would be too many: labels, values, and the word for one."""
    if not hours:
        return [], [], "day"
    days = sorted(hours)
    first, last = date.fromisoformat(days[0]), date.fromisoformat(days[-1])
    span = (last - first).days + 1
    word = "day" if span <= 45 else "week" if span <= 45 * 7 else "month"  # noqa: PLR2004 - what has room
    sums: dict[tuple[str, str], float] = {}
    for ordinal in range(first.toordinal(), last.toordinal() + 1):
        day = date.fromordinal(ordinal)
        year, week, _ = day.isocalendar()
        group = {
            "day": (day.isoformat(), f"{day.day} {day:%b}"),
            "week": (f"{year}-{week:02}", f"W{week}"),
            "month": (f"{day:%Y-%m}", f"{day:%b}"),
        }[word]
        sums[group] = sums.get(group, 0.0) + hours.get(day.isoformat(), 0.0)
    return [label for _, label in sums], list(sums.values()), word


def _round_step(most: float) -> float:
    """A step that gives two to five lines."""
    if most <= 0:
        return 1.0
    size = 10.0 ** (len(str(int(most))) - 1) if most >= 1 else 0.1
    return next(step for step in (size / 4, size / 2, size, 2 * size, 5 * size) if most / step <= 4.5)  # noqa: PLR2004


def _label(at: Point, words: str, anchor: str = "start", kind: str = "faint") -> str:
    return text_element(at, words, _FONT, anchor, **({"class_": kind} if kind else {}))


def _chart(height: float, title: str, shapes: Sequence[str]) -> str:
    return image((_WIDTH, height), title, shapes, aria_label=title)
