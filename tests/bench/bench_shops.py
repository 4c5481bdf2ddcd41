"""Shops for the benchmarks, as config text: any number of tools and gates, one collector."""

from pathlib import Path


def config(
    port: int, prefix: str, *, tools: int = 1, gates: int = 1, run_on: float = 0, travel: float = 60, own: str = ""
) -> str:
    """A config whose tools speak on `<prefix>/amps/<n>` (one alone on `<prefix>/amps`), gates on `<prefix>/gate/<n>`.

    The daemon's own topics stand below `own`, else `own-<prefix>`. A gate that takes a minute to travel keeps the
    collector out of it: each start and stop is one command to a gate.
    """
    own = own or f"own-{prefix}"
    lines = [
        f'[broker]\nport = {port}\nbase = "{own}"\nclient_id = "{own}"',
        '[log]\nfolder = "log"',
        f'[collector.main]\ncommand = {{ topic = "{prefix}/fan", on = "1", off = "0" }}\ncoast_down = 0.2',
    ]
    for i in range(gates):
        topic = f"{prefix}/gate" if gates == 1 else f"{prefix}/gate/{i}"
        lines.append(f'[gate.g{i}]\ncommand = {{ topic = "{topic}", open = "open", shut = "shut" }}\ntravel = {travel}')
    for i in range(tools):
        topic = f"{prefix}/amps" if tools == 1 else f"{prefix}/amps/{i}"
        lines.append(
            f'[tool.t{i}]\ngates = ["g{i % gates}"]\ncurrent = {{ topic = "{topic}" }}\n'
            f"start_amps = 2.5\nstop_amps = 1.75\nrun_on = {run_on}"
        )
    return "\n\n".join(lines) + "\n"


def write(folder: Path, text: str) -> Path:
    """The config in a folder of its own; gives the file."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "config.toml"
    file.write_text(text)
    return file
