"""From recorded readings to thresholds and run-on: what a tool draws at rest and at work, what a setting would cost.

`source` brings the readings, `distribution` weighs them, `otsu` splits them, `levels` says what is rest and what is
work, `thresholds` what to set, `spells` finds the cuts and pauses, `run_on` what each run-on costs and spares;
`report` says it, `picture` draws it, `edit` writes it into the config. Nothing here watches or moves anything.
"""
