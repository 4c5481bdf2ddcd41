"""Each state of collector, gates and tools, as the page writes it."""

import re
from collections.abc import Callable

import pytest
from page_shop import Broadcast, RunningPage, ShownShop
from phone_screen import Phone
from playwright.sync_api import expect

pytestmark = pytest.mark.broker


def test_shop_at_rest(shop: ShownShop, broadcast: Broadcast, served: RunningPage, phone: Callable[..., Phone]) -> None:
    shop.show(broadcast)
    seen = phone(served.url).hears()
    expect(seen.reached).to_have_text(re.compile("running", re.IGNORECASE))
    seen.shows("collector:main", "off")
    for name in ("band_saw", "planing", "router", "sweep"):
        seen.shows(f"station:{name}", "shut")


def test_a_cut_is_seen_from_its_start_to_its_end(
    shop: ShownShop, broadcast: Broadcast, served: RunningPage, phone: Callable[..., Phone]
) -> None:
    seen = phone(served.url).hears()
    shop.cut("band_saw", 8)
    shop.show(broadcast)
    seen.shows("collector:main", "running")
    seen.shows("station:band_saw", "open")
    shop.run(30)
    shop.show(broadcast)
    seen.shows("collector:main", "off")
    seen.shows("station:band_saw", "shut")
