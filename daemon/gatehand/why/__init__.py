"""Why something did or did not happen: told from the log's findings, with what would have changed it.

`ask` goes the whole way. `find` finds the moment when none is given, `scene` gathers what is known about it, `attempt`
picks what a tool did then. `of_daemon`, `of_tool`, `of_start`, `of_refusal`, `standing`, `of_gate`, `of_collector` and
`not_understood` know the cases, each with its own sentence. `trial` (one tool's readings) and `around` (everything
recorded) replay with changed settings, so that no counterfactual is guessed. `say` puts it into text and JSON. Nothing
here changes anything.
"""
