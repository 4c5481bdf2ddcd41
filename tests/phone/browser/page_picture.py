"""The reference picture of the page on a narrow phone, and the boxes in it. `--write` makes both anew; look at it then.

    python tests/phone/browser/page_picture.py --write

The picture is for people. A test compares the boxes: each release of the browser draws letters a little otherwise.
"""

import json
import sys
import tempfile
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
PICTURE: Final = HERE / "page-360.png"
BOXES: Final = HERE / "page-360.json"


def write() -> None:
    """Draw the shop at the moment of the picture."""
    sys.path[:0] = [str(HERE), str(HERE.parents[1])]
    from moments import MOMENTS
    from page_boxes import measured
    from page_shop import SHOP, Broadcast, RunningPage, ShownShop
    from phone_screen import Phone
    from playwright.sync_api import sync_playwright
    from support.chromium import FLAGS, chromium_program
    from support.mosquitto import Mosquitto

    with tempfile.TemporaryDirectory() as scratch, Mosquitto() as broker, sync_playwright() as playwright:
        folder = Path(scratch)
        (folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{SHOP}")
        broadcast = Broadcast(broker.port)
        shop = ShownShop(folder / "shop").begin()
        assert isinstance(shop, ShownShop)
        shop.run(10)
        MOMENTS["fault"].come(shop)
        shop.show(broadcast)
        with RunningPage(folder) as page:
            browser = playwright.chromium.launch(executable_path=chromium_program(), args=FLAGS)
            phone = Phone(browser, page.url).hears()
            phone.shows("station:band_saw", "fault")
            phone.page.screenshot(path=PICTURE, full_page=True)
            found = {key: [round(each) for each in box] for key, box in measured(phone.page).parts}
            BOXES.write_text(json.dumps(found, indent=1) + "\n")
            browser.close()
        broadcast.close()


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("usage: python tests/phone/browser/page_picture.py --write")
    write()
