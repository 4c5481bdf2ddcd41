"""Whether `silent_after` and `poll` fit the way in which each tool's meter was seen to speak. Opens no file."""

from collections.abc import Collection, Iterator, Mapping

from gatehand.config import codes
from gatehand.config.meters import meter_key, meters
from gatehand.config.model import Config
from gatehand.config.problems import Fault
from gatehand.rhythm import Rhythm, misfit


def check_rhythm(config: Config, seen: Mapping[str, Rhythm], retained: Collection[str]) -> Iterator[Fault]:
    """Warnings.

    Args:
        config: one that `load` found no error in.
        seen: how often each meter spoke, by its key; where nothing was seen nothing is said of it.
        retained: topics of meters whose word the broker was found to keep.
    """
    for name, (signal, source) in meters(config).items():
        silent_after, rhythm = config.tool[name].silent_after, seen.get(meter_key(source))
        if rhythm is not None and (why := misfit(rhythm, silent_after)) is not None:
            yield Fault(("tool", name, "silent_after"), codes.SILENT_AFTER, why)
        on_change = silent_after == 0 and not (rhythm is not None and rhythm.steady)
        if on_change and source.poll is None and source.topic not in retained:
            text = (
                "it speaks only on change (silent_after is 0): if its word is not retained and it cannot be "
                "asked, the first cut after each start of the daemon is missed; add poll = { topic = ..., payload = "
                f"... }} to {signal.key}, or let the device retain its word (the daemon notes that a second "
                "after it has connected, and this warning is gone)"
            )
            yield Fault(signal.path, codes.FIRST_CUT, text)
