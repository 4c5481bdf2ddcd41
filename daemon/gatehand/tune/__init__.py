"""From recorded readings to thresholds and run-on: what a tool draws at rest and at work, what a setting would cost.

`levels` says what is rest and what is work, `proposed_settings` what to set and what each run-on costs and saves;
`study` goes the whole way and says it, `study_chart` draws it, `config_edit` writes it into the config. Nothing here
watches or moves anything.
"""
