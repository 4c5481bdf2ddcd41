"""Fitting the fan to readings: what was put into made-up readings comes out again."""

import random

import pytest
from msgspec.structs import replace
from shop_files import config_of, shop_text

from gatehand.air.duct_model import duct_systems
from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Filter
from gatehand_air.fit import fit
from gatehand_air.readings import Measurement, Quantity
from gatehand_air.solve import Solution

SETS = (("bench",), ("router",), ("band_saw",), ("planing", "sweep"))


def ducting() -> Ducting:
    return duct_systems(config_of(shop_text()))[0].ducting


def readings(real: Ducting, sets: tuple[tuple[str, ...], ...] = SETS, spread: float = 0.0) -> list[Measurement]:
    """What a gauge would show in a shop whose fan and filter are `real`, each value off by a share of `spread`."""
    rng = random.Random(1)
    found = []
    for gates in sets:
        answer = real.clean.solve(gates)
        assert isinstance(answer, Solution)
        off = [1 + rng.gauss(0, spread) for _ in range(3)]
        (end,) = real.network.behind({gates[0]})
        found.append(Measurement(frozenset(gates), Quantity.HOOD, end, answer.flows[end] * off[0]))
        found.append(Measurement(frozenset(gates), Quantity.DUCT, "main", real.velocities(answer)["main"] * off[1]))
        found.append(Measurement(frozenset(gates), Quantity.SUCTION, "", real.suction(answer) * off[2]))
    return found


def test_scale_and_filter_come_out_as_they_went_in() -> None:
    model = ducting()
    real = replace(model, fan=model.fan.scaled(0.87), clean_filter=Filter(model.clean_filter.factor * 2.1))
    found = fit(model, readings(real))
    assert found.with_filter
    assert found.scale == pytest.approx(0.87, rel=1e-6)
    assert found.filter.factor == pytest.approx(model.clean_filter.factor * 2.1, rel=1e-5)
    assert found.rms < 1e-7
    assert found.rms_before > 0.05


def test_readings_that_err_by_two_percent_still_find_the_fan() -> None:
    model = ducting()
    real = replace(model, fan=model.fan.scaled(0.87), clean_filter=Filter(model.clean_filter.factor * 2.1))
    found = fit(model, readings(real, spread=0.02))
    assert found.scale == pytest.approx(0.87, rel=0.03)
    assert 0.005 < found.rms < 0.03
