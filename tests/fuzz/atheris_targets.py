"""The same ways in for atheris, coverage-guided and for as long as one wishes; not part of the tests.

`pip install atheris`, then `python tests/fuzz/atheris_targets.py payload -max_total_time=600`; further words go to
libFuzzer (a folder of inputs among them). Targets: ears, payload, topics, config, config_file, log, recording.
"""

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

try:
    import atheris
except ImportError:
    sys.exit("atheris is not installed: pip install atheris (Python 3.11 to 3.13 on Linux)")

with atheris.instrument_imports(include=["gatehand", "gatehand_rules"]):
    import fuzz_targets


def _targets(folder: Path) -> dict[str, Callable[[bytes], object]]:
    ears = fuzz_targets.Ears()
    return {
        "ears": lambda data: ears.hear(data[0] if data else 0, data[2:], retained=data[1:2] == b"r"),
        "payload": fuzz_targets.payload,
        "topics": fuzz_targets.topics,
        "config": lambda data: fuzz_targets.config(data.decode("utf-8", "replace")),
        "config_file": lambda data: fuzz_targets.config_file(data, folder),
        "log": lambda data: fuzz_targets.log(data, folder),
        "recording": lambda data: fuzz_targets.recording(fuzz_targets.resealed(data), folder),
    }


def main() -> None:
    """Fuzz one target until libFuzzer's limits."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        targets = _targets(Path(name))
        if len(sys.argv) < 2 or sys.argv[1] not in targets:
            sys.exit(f"name a target: {', '.join(targets)}")
        target = targets[sys.argv.pop(1)]

        def one(data: bytes) -> None:
            target(data)

        atheris.Setup(sys.argv, one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
