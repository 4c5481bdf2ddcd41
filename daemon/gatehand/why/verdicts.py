"""A verdict, and how the words of its case (`verdict_table`) are filled into it.

The words are filled from the facts of the line that a verdict rests on as `journal.sentences` fills those of
the log: `{key}` is a fact with its unit, `{reading}` and `{start_threshold}` are whatever the sensor measures, what
stands in square brackets is left out when a fact within is missing, and of several sentences the first counts whose
facts are all there, else the last.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from gatehand.config.signals import KEY_OF
from gatehand.journal.line import LogLine
from gatehand.journal.sentence_table import Templates
from gatehand.journal.sentences import spoken, told
from gatehand.why.advice import Advice, Way, is_followed
from gatehand.why.moment import Question, TimedLine
from gatehand_rules.findings import Fact, Happened
from gatehand_rules.words import Measure

NOTHING: Final = "nothing_in_the_log"


class Words(NamedTuple):
    """A case's id, what happened and by which rule, what to look at, what to set."""

    case: str
    sentence: Templates
    next_step: Templates = ""
    advice: tuple[Advice, ...] = ()


@dataclass(slots=True)
class Verdict:
    """`case`: its id; `sentence`: what happened and by which rule; `next_step`: what to do about it."""

    case: str
    sentence: str
    findings: list[LogLine] = field(default_factory=list)
    """The lines that it rests on."""
    would_have_started: dict[str, float | str] = field(default_factory=dict)
    """Settings, each of which alone would have started it, as a replay has shown; none that is so by now."""
    trials: list[str] = field(default_factory=list)
    """The same in sentences, with what it would have cost elsewhere."""
    extra_starts: dict[str, int] = field(default_factory=dict)
    """By setting: starts that the change would have added elsewhere in what was looked at."""
    next_step: str = ""
    nearest: str = ""
    """The trouble nearest to a moment at which there was none, with its time."""
    own: TimedLine | None = None
    """The line that says what the verdict says."""
    without: tuple[Happened, str] | None = None
    """An event, and its collector, that the verdict says did not follow."""
    since_ms: int = 0
    """Wall ms; what was before that has not brought it about."""
    span: tuple[int, int] | None = None
    """Wall ms from and to which lasted what it is about; None: how things were at the moment itself."""

    @property
    def is_no(self) -> bool:
        """Something that was wanted did not happen."""
        return self.case not in {"started", "already_on", NOTHING}

    def tried(self, context: Question, whose: tuple[str, str], trial: "Trial") -> None:
        """Add a setting that would have started it; where it is so by now, say that instead of advising it."""
        setting = f"{trial.key} = {trial.said}"
        if is_followed(context, whose, trial.key, trial.value, trial.way):
            self.trials.append(f"{setting} would have started it, and by now it is set so")
        else:
            self.would_have_started[trial.key] = trial.value
            self.trials.append(f"{setting}{trial.rest}")


class Trial(NamedTuple):
    """A setting with which it would have started, the way in which others do as well, and the rest of the sentence."""

    key: str
    value: float | str
    way: Way
    rest: str

    @property
    def said(self) -> str:
        """The value as the config has it."""
        return f'"{self.value}"' if isinstance(self.value, str) else f"{self.value:g}"


def verdict(context: Question, words: Words, lines: Iterable[TimedLine | None] = (), **facts: Fact) -> Verdict:
    """The verdict of a case. It rests on those of the lines that there are; the first one's facts are known too.

    The first is also its own line, unless another is made it. Known besides: the subject by its kind, its `id`, its
    `name` as it is said, its `table` in the config and in it the key of its `sensor`; a tool's thresholds, and
    `of_contact`, the name of one whose sensor is a contact.
    """
    shown = [one for one in lines if one is not None]
    found = [one.line for one in shown]
    tool = context.tool_then
    known = {
        **({} if tool is None else tool.start_fact() | tool.stop_fact()),
        **(found[0] if found else {}),
        context.kind: context.name,
        "id": context.name,
        "name": spoken(context.name),
        "table": f"[{context.kind}.{context.name}]",
        "gate_table": f"[gate.{context.name}]",
        "sensor": KEY_OF[context.measure],
        "of_contact": spoken(context.name) if context.measure is Measure.RUNNING else None,
        **facts,
    }
    steps = [told(words.next_step, known), *(told(one.words, known) for one in _not_followed(context, words, known))]
    return Verdict(
        words.case,
        told(words.sentence, known),
        found,
        next_step=" ".join(filter(None, steps)),
        own=shown[0] if shown else None,
    )


def _not_followed(context: Question, words: Words, known: dict[str, Fact]) -> Iterable[Advice]:
    """The advice that is not followed yet."""
    whose = context.kind, context.name
    for one in words.advice:
        value = known.get(one.key) if one.value is None else one.value
        if not is_followed(context, whose, one.key, value, one.way):
            yield one
