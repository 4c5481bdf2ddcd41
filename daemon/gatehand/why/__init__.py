"""Why something did or did not happen: told from the log's findings, with what would have changed it.

`ask` goes the whole way: it finds the moment when none is given, and puts the answer into text and JSON. `moment`
gathers what is known about it. `state_at_moment`, `tool_start`, `refused_start` and `gate_or_collector` know the cases,
each with its own sentence. `try_thresholds` (one tool's readings) and `try_settings` (everything recorded) replay with
changed settings, so that no counterfactual is guessed. Nothing here changes anything.
"""
