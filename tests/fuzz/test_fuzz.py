"""Whatever comes in: only the declared errors, never a number that is not finite, never another exception."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import fuzz_targets
import pytest
from fuzz_strategies import (
    TEXT,
    budget,
    changed_bytes,
    configs,
    logs,
    payloads,
    pointers,
    slow_budget,
    sound_recordings,
    topic_texts,
)
from hypothesis import given
from hypothesis import strategies as st

from gatehand_rules.events import MessageRejected

EARS = fuzz_targets.Ears()
SOUND = sound_recordings(Path(tempfile.mkdtemp(prefix="recordings-")))


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        yield Path(name)


@given(which=st.integers(0, 200), payload=payloads, retained=st.booleans())
@budget
def test_any_payload_on_any_topic_is_an_event_or_a_reason(which: int, payload: bytes, *, retained: bool) -> None:
    EARS.hear(which, payload, retained=retained)


@given(pointer=pointers, payload=payloads)
@budget
def test_any_payload_under_any_pointer_is_a_value_or_a_reason(pointer: str, payload: bytes) -> None:
    fuzz_targets.payload(pointer.replace("\0", "").encode("utf-8", "replace") + b"\0" + payload)


@given(wanted=topic_texts, topic=topic_texts)
@budget
def test_any_topic_is_matched_as_the_standard_says(wanted: str, topic: str) -> None:
    parts = (each.replace("\0", "\x01").encode("utf-8", "surrogatepass") for each in (wanted, topic))
    fuzz_targets.topics(b"\0".join(parts))


@given(text=configs)
@slow_budget
def test_any_text_as_a_config_is_used_or_refused_with_its_places(text: str) -> None:
    fuzz_targets.config(text)


def test_the_example_itself_is_used() -> None:
    assert fuzz_targets.config(TEXT).ok


@given(data=st.one_of(st.binary(max_size=300), configs.map(lambda text: text.encode("utf-8", "replace"))))
@slow_budget
def test_any_bytes_as_a_config_file_are_used_or_refused(folder: Path, data: bytes) -> None:
    fuzz_targets.config_file(data, folder)


@given(data=logs)
@slow_budget
def test_any_bytes_as_a_log_are_lines_or_skipped_with_their_place(folder: Path, data: bytes) -> None:
    fuzz_targets.log(data, folder)


@given(data=st.one_of(changed_bytes(SOUND), st.binary(max_size=300)))
@slow_budget
def test_any_bytes_as_a_recording_are_events_and_damage(folder: Path, data: bytes) -> None:
    fuzz_targets.recording(data, folder)


@given(data=changed_bytes(SOUND))
@slow_budget
def test_a_recording_whose_spoilt_frames_look_whole_is_events_and_damage(folder: Path, data: bytes) -> None:
    fuzz_targets.recording(fuzz_targets.resealed(data), folder)


def test_the_sound_recordings_are_read_whole(folder: Path) -> None:
    assert [fuzz_targets.recording(data, folder) for data in SOUND] == [182, 182]


def test_an_unknown_word_is_shown_without_what_a_terminal_would_obey() -> None:
    """Found by atheris: the word went into the log, and from there to a screen, as it had come."""
    ears = fuzz_targets.Ears()  # one that has rejected nothing yet: repeated rejections are only counted
    found = [event for topic in range(len(ears.topics)) for event in ears.hear(topic, b"\x1b[2Jopen\x00")]
    shown = {event.shown for event in found if isinstance(event, MessageRejected)}
    assert r"\x1b[2Jopen\x00" in shown
    assert all(text.isprintable() for text in shown)
