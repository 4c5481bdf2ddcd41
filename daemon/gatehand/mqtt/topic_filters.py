"""MQTT topics and topic filters after MQTT 5.0 section 4.7: which are valid, and which match.

Plain functions over text; iterative, so that no number of levels can exhaust the stack. No client library.
"""

MAX_BYTES = 65_535
"""Longest topic, in bytes of UTF-8 (MQTT 5.0 section 4.7.3)."""


def topic_problem(topic: str) -> str | None:
    """Why `topic` cannot be published to, in words that end a sentence about it; None when it can."""
    if problem := _text_problem(topic):
        return problem
    for wildcard in "#+":
        if wildcard in topic:
            return f"holds the wildcard {wildcard!r}; a message goes to one topic, so name it in full"
    return None


def filter_problem(topic_filter: str) -> str | None:
    """Why `topic_filter` cannot be subscribed to, in words that end a sentence about it; None when it can."""
    if problem := _text_problem(topic_filter):
        return problem
    levels = topic_filter.split("/")
    for number, level in enumerate(levels, start=1):
        if "#" in level and (level != "#" or number != len(levels)):
            return f"has '#' in level {number} ({level!r}); it must stand alone in the last level"
        if "+" in level and level != "+":
            return f"has '+' in level {number} ({level!r}); it must stand alone in its level"
    return None


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a message to `topic` reaches a subscriber of `topic_filter`. What is not valid matches nothing.

    A filter that begins with a wildcard does not match topics that begin with `$` (section 4.7.2).
    """
    if filter_problem(topic_filter) or topic_problem(topic):
        return False
    if topic[0] == "$" and topic_filter[0] in "#+":
        return False
    wanted = topic_filter.split("/")
    found = topic.split("/")
    for number, level in enumerate(wanted):
        if level == "#":
            return True  # the parent level too: "sport/#" matches "sport" (section 4.7.1.2)
        if number >= len(found) or (level not in {"+", found[number]}):
            return False
    return len(wanted) == len(found)


def _text_problem(text: str) -> str | None:
    if not text:
        return "is empty; it needs at least one character"
    if "\0" in text:
        return "holds a NUL character, which MQTT forbids"
    try:
        size = len(text.encode())
    except UnicodeEncodeError:
        return "holds half of a surrogate pair, which is not UTF-8"
    if size > MAX_BYTES:
        return f"is {size:,} bytes long; MQTT allows {MAX_BYTES:,}"
    return None
