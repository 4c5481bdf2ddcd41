"""The service units, judged by systemd's own checkers; and what they start is a command that there is."""

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from broker_people import ROOT

from gatehand.access_rights import users
from gatehand.cli import command_parser
from gatehand.config import load

UNIT = ROOT / "deploy/gatehand.service"
PAGE = ROOT / "deploy/gatehand-page.service"
UNITS = sorted((ROOT / "deploy").glob("*.service"))
PROGRAM = "/opt/gatehand/bin/gatehand"
MOST_EXPOSED = 1.5
"""Of 10, as systemd-analyze counts."""


def analyze(*args: str) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("needs systemd-analyze: apt-get install systemd")
    return subprocess.run([program, *args], capture_output=True, text=True, check=False)  # noqa: S603


def exposure(unit: Path) -> float:
    found = analyze("security", "--offline=true", "--no-pager", str(unit))
    score = re.search(rf"exposure level for {re.escape(unit.name)}: ([\d.]+)", found.stdout)
    assert score is not None, found.stdout + found.stderr
    return float(score[1])


def values(unit: Path, key: str) -> list[str]:
    """What a unit sets a key to, once for each line."""
    return re.findall(rf"^{key}=(.*)$", unit.read_text(), re.MULTILINE)


def value(unit: Path, key: str) -> str:
    (found,) = values(unit, key)
    return found


@pytest.fixture(params=UNITS, ids=[unit.name for unit in UNITS])
def unit(request: pytest.FixtureRequest) -> Path:
    found: Path = request.param
    return found


def test_a_unit_has_no_mistake(unit: Path, tmp_path: Path) -> None:
    program = tmp_path / "gatehand"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = tmp_path / unit.name
    copy.write_text(unit.read_text().replace(PROGRAM, str(program)))
    found = analyze("verify", "--man=no", str(copy))
    assert (found.returncode, found.stdout + found.stderr) == (0, "")


def test_a_unit_is_hardened(unit: Path) -> None:
    assert exposure(unit) <= MOST_EXPOSED


def test_a_unit_comes_back_however_often_it_ends(unit: Path) -> None:
    assert value(unit, "Restart") == "always"
    assert value(unit, "StartLimitIntervalSec") == "0"


@pytest.mark.parametrize("unit", [UNIT, PAGE], ids=["daemon", "page"])
def test_a_wrong_config_is_not_tried_again(unit: Path) -> None:
    assert value(unit, "RestartPreventExitStatus") == "78"


def test_every_end_of_the_daemon_publishes_off() -> None:
    assert value(UNIT, "ExecStopPost").startswith(f"{PROGRAM} off ")


def test_the_page_is_shut_in_closer_than_the_daemon() -> None:
    """It speaks with whoever is on the shop's network."""
    assert exposure(PAGE) < exposure(UNIT)


def test_the_page_can_neither_write_what_is_the_daemons_nor_take_its_place() -> None:
    text = PAGE.read_text()
    assert value(PAGE, "User") != value(UNIT, "User")
    assert value(PAGE, "StateDirectory") != value(UNIT, "StateDirectory")
    assert value(PAGE, "ProtectSystem") == "strict"  # all is read-only but what StateDirectory names
    assert not re.search(
        r"^(ReadWritePaths|BindPaths|LogsDirectory|CacheDirectory|RuntimeDirectory)=", text, re.MULTILINE
    )
    assert not re.search(r"^(Requires|BindsTo|PartOf|Conflicts|Before|ExecStopPost|OnFailure)=", text, re.MULTILINE)
    # What the two contend for goes to the daemon: memory, processor, disk.
    assert int(value(PAGE, "OOMScoreAdjust")) > 0 > int(value(UNIT, "OOMScoreAdjust"))
    assert int(value(PAGE, "Nice")) > 0 > int(value(UNIT, "Nice"))
    assert int(value(PAGE, "CPUWeight")) < 100  # systemd.resource-control(5): what a unit without it has
    assert int(value(PAGE, "IOWeight")) < 100
    assert values(PAGE, "MemoryMax")
    assert values(PAGE, "TasksMax")


def test_the_page_is_started_with_a_login_of_the_access_list_and_its_password_handed_over() -> None:
    program, command, *words = shlex.split(value(PAGE, "ExecStart"))
    assert (program, command) == (PROGRAM, "page")
    args = command_parser(command)[1].parse_args(words)
    config = load(ROOT / "config.example.toml").config
    assert config is not None
    assert args.username in {user.name for user in users(config)}
    # `small_files.read_secret` reads the credential in the place of the file of that name.
    credential, _, file = value(PAGE, "LoadCredential").partition(":")
    assert (credential, file) == (args.password_file.name, str(args.password_file))
    assert f"/var/lib/{value(PAGE, 'StateDirectory')}" == value(PAGE, "WorkingDirectory")
