"""A first config, for `init`: questions in the trade's words, each device switched or pressed once, a file that passes.

- `questions`: what can be asked, by key; how an answer is read;
- `script`: the course of the evening as a generator: a step out, its reply in; `devices` has the parts of one device,
  `meters` of a meter, `steps` the steps;
- `trials`: what was heard of one trial, as records that can be kept; the finding itself is `gatehand.listening`'s;
- `choices`: which of it is offered for which signal;
- `boards`: boards of our own, known by what they say about themselves;
- `draft`: the config in the making, its comments, what is missing in it;
- `answers`: what was answered: by flag, by file, and before a break, which is kept beside the config to be;
- `evening`: plays the script with a person, a broker and what was answered; `attention` takes in what happens,
  `trial_runs` has a trial done; `port` is all that they ask of the world, `ears` the real one.

Only `ears` knows a terminal, a broker or a clock. Nothing is published by any of it.
"""
