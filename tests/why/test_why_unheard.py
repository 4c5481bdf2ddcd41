"""A button that does nothing: its topic or its word is misspelt, and the answer says so."""

from collections.abc import Callable

import pytest
from support.recorded_shop import RecordedShop

from why.why_support import now, why

BUTTON = "shop/gate/band_saw/button"


def test_a_button_that_was_never_heard_is_named_with_its_topic_until_it_is(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.run(90)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert f"never heard: {BUTTON}, its button" in " ".join(
        why(shop, capsys, "gate.band_saw", "--at", now(shop))["notes"]
    )
    shop.say(BUTTON, "0")
    shop.run(10)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert "never heard" not in " ".join(why(shop, capsys, "gate.band_saw", "--at", now(shop))["notes"])


def test_a_misspelt_button_word_is_named_with_what_was_wanted(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    for word in ("PRESS", "RELEASE"):
        shop.say(BUTTON, word)
        shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    (note,) = [each for each in why(shop, capsys, "gate.band_saw", "--at", now(shop))["notes"] if "RELEASE" in each]
    assert "never yet the one for pressed, want '1'" in note
