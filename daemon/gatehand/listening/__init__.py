"""What speaks on a broker, and what each of it could be in the config: for `listen`, and for a first config.

Pure: messages and times in, records out. No MQTT, terminal or clock.

- `values`: one payload as the values that a config can name, each with its JSON pointer;
- `observed`: `Listening`, everything heard so far in bounded memory; `HeardTopic`, `HeardSignal`, their `Trace`;
- `watched`: which signals followed a thing that was switched on and off, or pressed (`followers`, `presses`);
- `roles`: what a signal measures, its line for the config, and which of it a config uses already.
"""
