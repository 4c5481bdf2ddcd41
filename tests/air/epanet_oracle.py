"""The same duct trees for the EPANET engine (`epanet-plus`), an independent solver to hold ours against.

Hoods become reservoirs at head 0, the fan a pump with the power curve A - B Q^2, shut branches closed pipes. Head is
metres of air by EPANET's own g of 32.2 ft/s2. The loss models coincide: Darcy-Weisbach with Swamee and Jain's factor,
every loss factor on its own pipe.
"""

from collections.abc import Collection
from pathlib import Path
from typing import Any

from gatehand_air.properties import Air
from gatehand_air.tree import Network

GRAVITY = 32.2 * 0.3048


def missing() -> str | None:
    """Why the engine cannot be used here, or None."""
    try:
        import epanet
        import epanet_plus  # noqa: F401
    except ImportError as error:
        return f"epanet-plus is not here ({error}); no wheel for this platform?"
    if not hasattr(epanet, "EN_createproject"):
        return f"another package hides the engine of epanet-plus ({epanet.__file__}): make the environment anew"
    return None


class Engine:
    """One tree loaded into EPANET; `solve` runs one set of gates."""

    def __init__(self, network: Network, fan: tuple[float, float], air: Air, folder: Path, accuracy: float) -> None:
        from epanet_plus import EpanetAPI, EpanetConstants

        self.kit: Any = EpanetAPI(use_project=True)
        self.names: Any = EpanetConstants
        self.network = network
        source = folder / "shop.inp"
        source.write_text(_input_file(network, fan, air, accuracy))
        self.kit.createproject()
        self.kit.open(str(source), str(folder / "shop.rpt"), "")
        self.kit.openH()
        self.link = {duct.name: self.kit.getlinkindex(duct.name) for duct in network.ducts}
        self.shown = dict.fromkeys(self.link, True)

    def solve(self, gates: Collection[str]) -> dict[str, float]:
        """Flow in m3/s by duct, of those with air in them."""
        network = self.network
        opened = network.always_open | network.behind(gates)
        live = {duct.name for hood in opened for duct in network.path(hood)}
        kit, names = self.kit, self.names
        for name, link in self.link.items():
            wanted = name in live
            if wanted != self.shown[name]:
                kit.setlinkvalue(link, names.EN_INITSTATUS, float(wanted))
                self.shown[name] = wanted
        kit.initH(names.EN_NOSAVE)
        kit.runH()
        return {n: kit.getlinkvalue(i, names.EN_FLOW) / 1000 for n, i in self.link.items() if n in live}

    def close(self) -> None:
        """Let go of the engine's memory and files."""
        self.kit.closeH()
        self.kit.close()
        self.kit.deleteproject()


def _input_file(network: Network, fan: tuple[float, float], air: Air, accuracy: float) -> str:
    """The network in EPANET's input format: metres, mm, litres a second."""
    shut_off, fall = (x / (air.density * GRAVITY) for x in fan)
    joints = [f"at_{duct.name}" for duct in network.ducts if duct.entry is None] + ["inlet"]
    rooms = [f"room_{duct.name}" for duct in network.ducts if duct.entry is not None] + ["outside"]
    pipes = []
    for duct in network.ducts:
        start = f"at_{duct.name}" if duct.entry is None else f"room_{duct.name}"
        end = f"at_{duct.into}" if duct.into else "inlet"
        factor = duct.factor + (duct.entry or 0.0)
        size = f"{duct.length!r} {duct.diameter * 1000!r} {duct.roughness * 1000!r}"
        pipes.append(f"{duct.name} {start} {end} {size} {factor!r} Open")
    half, whole = 0.5 * (shut_off / fall) ** 0.5, 0.9 * (shut_off / fall) ** 0.5
    points = [f"fan {q * 1000!r} {shut_off - fall * q * q!r}" for q in (0.0, half, whole)]
    return "\n".join(
        [
            "[JUNCTIONS]",
            *(f"{name} 0 0" for name in joints),
            "[RESERVOIRS]",
            *(f"{name} 0" for name in rooms),
            "[PIPES]",
            *pipes,
            "[PUMPS]",
            "fan inlet outside HEAD fan",
            "[CURVES]",
            *points,
            "[OPTIONS]",
            "UNITS LPS",
            "HEADLOSS D-W",
            f"VISCOSITY {air.viscosity!r}",
            "TRIALS 200",
            f"ACCURACY {accuracy!r}",
            "[REPORT]",
            "STATUS NO",
            "SUMMARY NO",
            "MESSAGES NO",
            "[END]",
            "",
        ]
    )
