"""The owner's program: run without a shell, given its input whole, ended when it hangs, and what went wrong is said."""

import json
import os
import time
from pathlib import Path

import pytest
from notify_support import program, told, writer
from support.child import wait_until

from gatehand.notify import runner
from gatehand.notify.runner import NoProgramError, find, run

NASTY = ["$(touch pwned)", "`id`", "; rm -rf x", "a b", "'\"", "--option", "--", "*", "\n", "-"]


def alive(pid: int) -> bool:
    """Whether it runs; one that has ended and was not waited for yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


async def test_arguments_and_input_arrive_as_they_are(tmp_path: Path) -> None:
    given = [{"because": text} for text in NASTY] + [{"because": "x" * 200_000}]
    outcome = await run([str(writer(tmp_path)), *NASTY], json.dumps(given).encode(), 30)
    assert outcome.well, outcome
    assert told(tmp_path) == [(NASTY, given)]
    assert not (tmp_path / "pwned").exists()


async def test_a_program_that_reads_nothing_is_no_trouble(tmp_path: Path) -> None:
    path = tmp_path / "deaf"
    path.write_text("#!/bin/sh\nexec <&-\nexit 0\n")
    path.chmod(0o755)
    assert (await run([str(path)], b"x" * 1_000_000, 30)).well


async def test_an_exit_code_and_what_was_said_are_told(tmp_path: Path) -> None:
    path = program(tmp_path, "print('no \\x1b[31mroute\\n to host'); sys.exit(3)")
    outcome = await run([str(path)], b"[]", 30)
    assert str(outcome) == "it ended with exit code 3; it said: no ?[31mroute to host"


async def test_a_flood_of_words_is_taken_and_cut_short(tmp_path: Path) -> None:
    path = program(tmp_path, "sys.stdout.write('word ' * 1_000_000)")
    outcome = await run([str(path)], b"[]", 60)
    assert outcome.well
    assert 400 < len(outcome.said) < 600


async def test_a_program_killed_by_a_signal_has_failed(tmp_path: Path) -> None:
    outcome = await run([str(program(tmp_path, "os.kill(os.getpid(), 9)"))], b"[]", 30)
    assert outcome.trouble == "it was killed by SIGKILL"


@pytest.mark.parametrize("stubborn", [False, True])
async def test_a_program_that_hangs_is_ended_with_all_that_it_started(
    tmp_path: Path, stubborn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "TERM_WAITS", 0.2)
    ignore = "import signal; signal.signal(15, signal.SIG_IGN)" if stubborn else "pass"
    path = program(
        tmp_path,
        "import subprocess",
        ignore,
        "child = subprocess.Popen(['sleep', '300'])",
        f"open({str(tmp_path / 'pids.part')!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')",
        f"os.rename({str(tmp_path / 'pids.part')!r}, {str(tmp_path / 'pids')!r})",
        "time.sleep(300)",
    )
    for limit in (0.5, 2.0, 8.0, 32.0):  # a busy machine may take its time to start it
        outcome = await run([str(path)], b"[]", limit)
        assert outcome.trouble == f"it took longer than {limit:g} s and was stopped"
        if (tmp_path / "pids").exists():
            break
    pids = [int(each) for each in (tmp_path / "pids").read_text().split()]
    wait_until(lambda: not any(map(alive, pids)))


async def test_what_a_program_leaves_running_holds_nobody_up(tmp_path: Path) -> None:
    path = program(tmp_path, "import subprocess", "child = subprocess.Popen(['sleep', '30'])", "print(child.pid)")
    began = time.monotonic()
    outcome = await run([str(path)], b"[]", 25)
    os.kill(int(outcome.said), 9)
    assert outcome.well
    assert time.monotonic() - began < 25


async def test_the_program_is_not_taken_for_the_service_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/x")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/credentials/x")
    said = "print('NOTIFY_SOCKET' in os.environ, os.environ['CREDENTIALS_DIRECTORY'], os.getpgid(0) == os.getpid())"
    outcome = await run([str(program(tmp_path, said))], b"[]", 30)
    assert outcome.said == "False /run/credentials/x True"


async def test_a_program_that_has_gone_and_one_without_an_interpreter_are_said(tmp_path: Path) -> None:
    assert "No such file" in str(await run([str(tmp_path / "gone")], b"[]", 5))
    bare = tmp_path / "bare"
    bare.write_text("echo hello\n")
    bare.chmod(0o755)
    assert "#!/bin/sh" in str(await run([str(bare)], b"[]", 5))


async def test_a_computer_without_room_for_the_input_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    outcome = await run([str(program(tmp_path, "pass"))], b"[]", 30)
    assert outcome.trouble == "it could not be run: No space left on device"


def test_a_program_is_looked_for_at_the_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = program(tmp_path, "pass")
    monkeypatch.chdir(tmp_path)
    assert find("./program") == find(str(path)) == path
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find("program") == path
    (tmp_path / "text").write_text("no program")
    for name, says in (
        ("./gone", "is not there"),
        ("gone", "found no program"),
        (str(tmp_path), "is a folder"),
        ("./text", "chmod +x"),
        ("./a\0b", "cannot be looked at"),
    ):
        with pytest.raises(NoProgramError) as error:
            find(name)
        assert says in str(error.value) or "is not there" in str(error.value), name
