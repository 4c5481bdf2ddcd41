"""A start that did not happen, case by case, and what `gatehand why` says of it."""
