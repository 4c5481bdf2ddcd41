"""What followed a machine that was switched on and off, for a person: its signal, and its table for the config."""

from collections.abc import Iterator
from typing import Final

from gatehand.config.tables import SILENT_AFTER
from gatehand.listening.found import Follower, Level
from gatehand.listening.page import place
from gatehand.listening.roles import Known, fitting_silent_after, sensor_key, source, table_name, threshold_keys
from gatehand.listening.watching import Watched
from gatehand.measures import measured
from gatehand.rhythm import PRICE_OF_NONE, Rhythm, words
from gatehand.terminal import wrapped
from gatehand.text import listed, named
from gatehand.times import rough
from gatehand_rules.words import Measure

_INDENT: Final = "  "
_OTHERS: Final = 3


def watched_text(watched: Watched, known: Known, width: int) -> Iterator[str]:
    """What followed, and the table for the config."""
    name = watched.name
    if not watched.switched:
        yield from wrapped(f"The {name} was not switched on and off, so there is nothing to tell about it.", width)
        return
    if watched.besides:
        places = [place(one) for one in watched.besides]
        more = [f"{len(places) - _OTHERS} more"] if len(places) > _OTHERS else []
        yield from wrapped(
            f"Nothing followed the {name} when you were asked, but at other times "
            f"{listed(places[:_OTHERS] + more, last='and')} changed. Try again: leave it off at first, and once it "
            "is on, leave it on until you are asked to switch it off.",
            width,
        )
        return
    if not watched.found:
        yield from wrapped(
            f"Nothing followed the {name}. Is its meter or contact connected to this broker, and did the machine draw "
            "current? A meter that speaks seldom wants it on for longer.",
            width,
        )
        return
    first, *others = watched.found
    sure = "followed" if watched.clear else "may or may not be it: switch it once more"
    yield from wrapped(f"The {name}: {place(first.signal)} {sure}.", width)
    yield from _follower(first, width)
    used = known.uses.get((first.signal.topic, first.signal.pointer), ())
    if used:
        yield from wrapped(_INDENT + f"the config has it already: {listed(used, last='and')}", width)
    yield ""
    yield from tool_table(name, first)
    near = [one for one in others if one.signal is not first.signal][:_OTHERS]
    if near:
        yield ""
        yield from wrapped("Less likely, and what they did:", width)
        for one in near:
            yield from wrapped(_INDENT + f"{place(one.signal)}: {one.because}", width)


def _follower(one: Follower, width: int) -> Iterator[str]:
    said = one.because
    if one.idle is not None:
        said += f"; taken for {one.taken.measure or 'neither amps nor watts'}: {one.taken.because}"
    yield from wrapped(_INDENT + said, width)
    rhythm, seen = one.signal.rhythm, named(one.signal.count, "time")
    speaks = f"was heard {seen}, too few to tell how often it speaks" if rhythm is None else words(rhythm)
    yield from wrapped(_INDENT + f"it {speaks}", width)
    thresholds = one.thresholds
    if thresholds is not None and thresholds.wanting:
        yield from wrapped(_INDENT + f"the thresholds are uncertain: {thresholds.wanting}", width)


def tool_table(name: str, one: Follower) -> Iterator[str]:
    """The table of the tool for the config, as lines of TOML; a comment where it cannot be one."""
    signal, measure = one.signal, one.taken.measure
    if measure is None:
        yield f"# {source(signal.topic, signal.pointer)}: {one.taken.because}; a tool wants amps, watts or a contact"
        return
    table = table_name(name)
    yield f"[tool.{table}]"
    yield f'gates = ["{table}"]  # the gates that it needs open'
    thresholds, keys = one.thresholds, threshold_keys(measure)
    if thresholds is None or keys is None:
        off = "?" if one.off is None else one.off
        yield f"running = {source(signal.topic, signal.pointer, active=one.on or '', clear=off)}"
        if one.off is None:
            yield "# replace the ? by the word that it says when the machine is off; it was not heard"
        return
    yield f"{sensor_key(measure)} = {source(signal.topic, signal.pointer, one.taken.scale)}"
    both = (("idle", one.idle), ("working", one.working))
    levels = [f"{what} {_amount(level, one)}" for what, level in both if level is not None]
    guess = " (seen too briefly to rely on)" if thresholds.wanting else ""
    yield f"{keys[0]} = {thresholds.start:g}  # {', '.join(levels)}{guess}"
    yield f"{keys[1]} = {thresholds.stop:g}"
    silent = _silent_after(signal.rhythm)
    if silent is not None:
        yield silent


def _silent_after(rhythm: Rhythm | None) -> str | None:
    """The line, where the default does not fit."""
    if rhythm is None:
        return None
    if not rhythm.steady:
        return f"silent_after = 0  # it speaks only on change; the price: {PRICE_OF_NONE}"
    fitting = fitting_silent_after(rhythm)
    return f"silent_after = {fitting:g}  # it speaks every {rough(rhythm.every)}" if fitting != SILENT_AFTER else None


def _amount(level: Level, one: Follower) -> str:
    scale, measure = one.taken.scale, one.taken.measure or Measure.AMPS
    low, high = level.low * scale, level.high * scale
    top = measured(measure, high)
    return top if measured(measure, low) == top else f"{low:.4g} to {top}"
