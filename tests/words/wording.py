"""What no sentence may have: words that we do not use, with what we say instead, and the slips of made sentences."""

import re
from collections.abc import Iterator, Mapping
from typing import Final

INSTEAD: Final[dict[str, str]] = {
    # what is never said, as a regular expression: what is said
    r"\btold (?:on|off|open|shut)\b": "a collector is switched on or off; a gate is told to open or to shut",
    r"\btell (?:\w+ ){1,3}(?:on|off)\b": "switch it on or off",
    r"\b(?:has|have|had) not answered\b|\banswered? to\b": "did not answer",
    r"\bin fault\b|\bthe faults? of\b": "faulty",
    r"\bmend(?:s|ed|ing)?\b": "fix",
    r"(?<!there )(?<!There )\b(?:is|was|be) no(?:ne)?\b(?! longer| more| need|[,.;:])": "is not a ..., or: has no ...",
    r"\bis not? TOML\b": "is not valid TOML",
    r"\ba text\b": "text",
    r"\b(?:stand(?!s? for\b| where you\b)(?:s|ing)?|stood)\b": "is, is active, has stopped, is idle, is clear",
    r"\bworks the shop\b": "Gatehand is running",
    r"\bknows of nothing\b|\blog knows nothing\b|\bnothing is known of\b": "nothing about ... in the log",
    r"\bsaid nothing\b|\b(?:sensor|switch|contact|meter|motor) says nothing\b": "no reading from its sensor for 30 s",
    r"\bheld (?:by|off)\b": "on hold (filter change)",
    r"\b(?:drew|ran|draws|runs) already\b|\balready (?:drew|draws|ran)\b": "was already running when first seen",
    r"\bstart \d+ of \d+\b": "11th start in the last hour (limit 10)",
}
"""The glossary, the other way round: it holds for every sentence, of the program and of the documents."""

IN_THE_PROGRAM: Final[dict[str, str]] = {
    r"\bknow of\b": "know, or: hear of",
    r"\bampere\b(?! amperes)": "amps",
    r"\banew\b|\bafresh\b(?<!--afresh)": "again",
    r"\btellings?\b(?! (?:time|which|rest))": "try, command",
    r"\bamid\b": "in the middle of",
    r"(?<![Aa]ll )\b(?:is|was|were|are) well\b(?! (?:above|below))": "is fine",
    r"\b[Mm]ind:": "Note:",
}
"""The same for what the program says, where each word has to do with fewer of them."""

_ALONE: Final = r"(?<![\d.,:/-])"
SLIPS: Final[Mapping[str, str]] = {
    _ALONE
    + r"1 (?!s\b|ms\b|its\b|is\b|was\b|has\b|does\b|less\b|this\b|as\b|wants\b)"
    + r"(?:more )?[a-z]+s\b(?! of | is | = )": "one of many",
    _ALONE + r"0 s\b": "a length of time that is none goes unsaid",
    r"\[[^a-zA-Z\"']|\{\w+(?:!|:[\w ]+)*\}": "a field left over",
    r"\bNone\b(?! of )": "a fact that is missing",
    r"[a-z)]  +[a-z(]": "two blanks",
    r"(?<!\.)\.\.(?!\.)|\.;|,,|;;|: :": "stops that meet",
    r"\?\w|\w\?\s+[a-z]": "a fact shown as a question mark",
}
"""In a rendered sentence."""

COUNTABLE: Final = (
    *("times", "gates", "tools", "collectors", "starts", "cuts", "readings", "lines", "events", "files", "topics"),
    *("alarms", "values", "levels", "days", "hours", "minutes", "seconds", "restarts", "retries", "commands", "ways"),
    *("sets", "bytes", "elements", "columns", "entries", "messages", "answers", "pauses", "presses", "problems"),
    *("rounds", "moves", "connections", "subscriptions", "digits", "boards", "trials"),
)
"""Plural nouns that a number may stand before."""

ALWAYS_MANY: Final[Mapping[str, str]] = {
    # what is filled in before a plural, as the source has it: why it is never one
    "len(found[0])": "digits, by the hundred",
    "len(value.encode())": "bytes beyond a limit",
    "value.count('/') + 1": "levels beyond a limit",
    "value": "the noun follows the number in the branch before",
    "self._limit": "a constant",
    "self._short_lives": "three at least",
    "size": "bytes beyond a limit",
    "min(len(raw), MAX_BYTES)": "bytes beyond a limit",
    "len(times)": "of a spoilt recording, in its diagnosis",
    "events": "of a spoilt recording, in its diagnosis",
    "most": "a constant",
    "budget": "of so many",
    "seconds // _DAY": "two at least",
    "found.readings": "of a whole recording",
    "one.distribution.readings": "of a whole recording",
    "best.above_rest": "a factor",
    "best.below_work": "a factor",
    "best.stop_above_rest": "a factor",
    "count": "the noun follows the number in the branch before",
    "others": "two at least",
    "len(collectors)": "the branch before has one",
    "len(missing)": "the branch before has one",
    "readings": "the branch before has few",
    "days": "the branch before has one",
    "ratio": "a factor",
}


def banned(text: str, patterns: Mapping[str, str] = INSTEAD) -> Iterator[str]:
    """Each word in it that we do not use, with what we say instead."""
    said = re.sub(r"\{[\w.! :]*\}", "{}", text)  # the name of a field is not said
    for pattern, better in patterns.items():
        yield from (f"{found[0]!r} -> {better}" for found in re.finditer(pattern, said))


def slips(text: str) -> Iterator[str]:
    """Each mistake of a sentence made from pieces."""
    for pattern, what in SLIPS.items():
        yield from (f"{found[0]!r}: {what}" for found in re.finditer(pattern, text))
