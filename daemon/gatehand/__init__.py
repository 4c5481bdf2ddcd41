"""Gatehand: everything that touches the world."""
