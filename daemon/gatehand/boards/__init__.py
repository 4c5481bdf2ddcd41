"""The boards of our own (deploy/boards), as the config has them: for `boards` and the access list.

- `devices`: which boards a config has, each with its login and the topics that it speaks on besides the config's;
- `settings`: what each board's settings file holds;
- `refused`: what can be no board, or not as the config is, and what to change;
- `owners`: what of a settings file is its owner's, and what the owner must still fill in;
- `folder`: the files: read, merged, compared, written aside and renamed;
- `page`: what the command shows of it.

Nothing in here speaks to the broker or to a board. The programs that read the files stand in deploy/boards.
"""
