"""Why something did or did not happen: told from the log's findings, with what would have changed it.

`ask` goes the whole way: it finds the moment when none is given, and puts the answer into text and JSON. `moment`
gathers what is known about it. `state_at_moment`, `tool_start` and `gate_or_collector` find the case; `verdicts` has
the words of each. `try_settings` replays with changed settings, so that no counterfactual is guessed. Nothing here
changes anything.
"""
