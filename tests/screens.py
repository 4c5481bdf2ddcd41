"""`python -m tests.screens`: makes every screen and picture of README.md and deploy/ anew; says which have changed.

With `--write` they are put in their places. `--show NAME` prints one. Exit code 1: a document is not as the program is.
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent / "story"))

from story_documents import DOCUMENTS, ROOT, marks, with_screens
from story_screens import PICTURES, SCREENS, made, told


def main() -> int:
    """Make, compare, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.screens", description=__doc__)
    parser.add_argument("--write", action="store_true", help="put them in their places")
    parser.add_argument("--show", choices=sorted(SCREENS), metavar="NAME", help="print this screen and leave")
    args = parser.parse_args()
    with told() as story:
        if args.show is not None:
            print(made(story, args.show), end="")
            return 0
        now: dict[str, str] = {path: make(story) for path, make in PICTURES.items()}
        for path in DOCUMENTS:
            before = (ROOT / path).read_text("utf-8")
            now[path] = with_screens(before, {name: made(story, name) for name in marks(before)})
    stale = [path for path, text in now.items() if _before(path) != text]
    for path in stale:
        print(f"{path}: {'written' if args.write else 'not as the program is now; --write puts it right'}")
        if args.write:
            (ROOT / path).write_text(now[path], "utf-8")
    return 1 if stale and not args.write else 0


def _before(path: str) -> str | None:
    file = ROOT / path
    return file.read_text("utf-8") if file.exists() else None


if __name__ == "__main__":
    sys.exit(main())
