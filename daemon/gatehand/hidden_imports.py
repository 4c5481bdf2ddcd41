"""Optional imports of our libraries that we do without: each would cost the daemon memory for good.

By None in `sys.modules` an import fails, as Python's reference has it ("The module cache"); whoever imports these says
itself what it does without them.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def hidden(*names: str) -> Iterator[None]:
    """Let imports of these modules fail for as long as the context lasts; what is loaded already stays."""
    held = [name for name in names if name not in sys.modules]
    for name in held:
        sys.modules[name] = None  # type: ignore[assignment]  # see above
    try:
        yield
    finally:
        for name in held:
            del sys.modules[name]
