"""What the event log has for a digest, counted in a process of its own, so that `notify` stays small and keeps hearing.

`python -m gatehand.notify.digest_child CONFIG FROM TO`: RFC 3339; prints one JSON object.
"""

import json
import os
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from gatehand.config import load
from gatehand.report.plain_text import text
from gatehand.report.summary import gather


def facts(config_file: Path, since: datetime, until: datetime) -> dict[str, object]:
    """Cuts, starts, what was missed and refused, alarms, what upkeep is due; `problem`: why there is nothing."""
    loaded = load(config_file, files=False)
    if loaded.config is None:
        return {"problem": f"the config has errors: {loaded.errors[0]}"}
    folder = loaded.file(loaded.config.log.folder)
    try:
        if not folder.is_dir():
            return {"problem": f"there is no event log on this computer ({folder})"}
        summary, _skipped = gather(loaded.config, folder, since, until)
    except OSError as error:
        return {"problem": f"the event log cannot be read ({error.filename or folder}: {error.strerror})"}
    whole = summary.as_json()
    worked = bool(summary.account.events)
    return {
        "problem": None if worked else "nothing was recorded in this time",
        "text": "\n".join(text(summary)) if worked else "",
        "tools": [{key: one[key] for key in ("tool", "cuts", "hours", "missed", "refused")} for one in whole["tools"]],
        "collectors": [{key: one[key] for key in ("collector", "starts", "hours")} for one in whole["collectors"]],
        "not_started": whole["not_started"],
        "upkeep": [one for one in whole["upkeep"] if one["stands"] != "well"],
        "alarms": whole["alarms"],
    }


def main(config_file: str, since: str, until: str) -> None:
    """Print them."""
    with suppress(OSError):  # a service may be kept from it
        os.nice(10)
    print(json.dumps(facts(Path(config_file), datetime.fromisoformat(since), datetime.fromisoformat(until))))


if __name__ == "__main__":
    main(*sys.argv[1:4])
