"""`python -m gatehand`: the same as the `gatehand` command."""

import sys

from gatehand.cli import main

if __name__ == "__main__":
    sys.exit(main())
