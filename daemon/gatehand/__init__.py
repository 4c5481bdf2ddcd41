"""Gatehand: everything that touches the world."""


def own_version() -> str:
    """This program's version, or a word that it was not installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("gatehand")
    except PackageNotFoundError:
        return "(not installed: run from its source)"
