"""Gatehand's rules: pure values in, values out. `step` is the only door."""
