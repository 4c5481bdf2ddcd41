"""What a year of logs costs a user who asks: `why` about one moment, and the `report` of all of it.

Each answer is a process of its own, as a user starts it; processor time, beside the limits that were set.
"""

from collections.abc import Iterator

from bench_kit import Figure, Size, processor_time, scratch

MOMENTS = ("2025-03-10T08:15:00Z", "2025-09-10T14:20:00Z", "2026-03-05T09:00:00Z", "2025-07-06T12:00:00Z")


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    from support.made_year import make_year

    with scratch() as folder:
        config = make_year(folder / "shop")

        def took(*words: str) -> float:
            command = ["-m", "gatehand", *words, "--json", "--config", str(config)]
            return processor_time(command, folder / "cache", folder / "said")

        took("why", "band_saw", "--at", MOMENTS[0])  # compiles
        why = [took("why", "band_saw", "--at", moment) for _ in range(size.of(2, 1)) for moment in MOMENTS]
        report = [took("report") for _ in range(size.of(5, 2))]
    for what, ours, limit in (("why --at over a year of logs", why, 1.0), ("report over a year of logs", report, 10.0)):
        yield Figure(what=what, unit="s", ours=ours, baseline="the limit", theirs=(limit,), wanted=("at most", 1.0))
