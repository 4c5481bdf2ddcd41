"""Circuits: 80 % of the breaker for continuous load (NEC 210.19 and 210.20; published: 15 -> 12 A, 20 -> 16 A)."""

from pathlib import Path

import pytest

from gatehand.config import load_text


def warned(tmp_path: Path, *, breaker: float, amps: dict[str, float], fan: float, max_open: int | None = None) -> str:
    lines = ["[collector.main]", 'command = { topic = "c/set", on = "1", off = "0" }', f"full_load_amps = {fan}"]
    lines += [f"max_open = {max_open}"] if max_open else []
    for name, load in amps.items():
        lines += [f"[gate.{name}]", f'command = {{ topic = "g/{name}", open = "1", shut = "0" }}']
        lines += [f"[tool.{name}]", f'gates = ["{name}"]', f'current = {{ topic = "t/{name}" }}', "start_amps = 2"]
        lines += [f"full_load_amps = {load}"]
    members = ", ".join(f'"{name}"' for name in [*amps, "collector.main"])
    lines += ["[circuit.wall]", f"amps = {breaker}", f"members = [{members}]"]
    loaded = load_text("\n".join(lines), tmp_path / "c.toml")
    assert loaded.ok
    return "\n".join(problem.message for problem in loaded.problems)


@pytest.mark.parametrize(("breaker", "bound"), [(15, 12), (20, 16)])  # published: NEC 210.19 and 210.20
def test_the_bound_is_80_percent_of_the_breaker(tmp_path: Path, breaker: float, bound: float) -> None:
    assert warned(tmp_path, breaker=breaker, amps={"saw": bound - 8}, fan=8) == ""
    assert f"{bound:g} A (continuous load" in warned(tmp_path, breaker=breaker, amps={"saw": bound - 7.9}, fan=8)


def test_without_a_limit_everything_can_run_together(tmp_path: Path) -> None:
    text = warned(tmp_path, breaker=30, amps={"saw": 8, "planer": 9}, fan=12)
    assert text.startswith("saw 8 A, planer 9 A and collector.main 12 A can run together: 29 A, above 80 % of the 30 A")


def test_with_max_open_only_as_many_gates_are_served(tmp_path: Path) -> None:
    assert warned(tmp_path, breaker=30, amps={"saw": 8, "planer": 9}, fan=12, max_open=1) == ""
    text = warned(tmp_path, breaker=25, amps={"saw": 8, "planer": 9}, fan=12, max_open=1)
    assert text.startswith(
        "planer 9 A and collector.main 12 A can run together (as far as max_open = 1 of main allows): "
    )
    assert "21 A" in text
