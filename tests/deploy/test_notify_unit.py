"""The service unit of `notify`, judged by systemd's own checkers, with and without a mailer that changes its user."""

import re
import shlex
from pathlib import Path

import pytest
from broker_people import ROOT
from test_unit import UNIT as DAEMONS
from test_unit import analyze

from gatehand.cli import command_parser

UNIT = ROOT / "deploy/gatehand-notify.service"
MAILER = ROOT / "deploy/gatehand-notify-mailer.conf"
LOOSER = {"RestrictAddressFamilies"}
"""Where a program of the owner's needs more than the daemon."""


def settings(path: Path) -> dict[str, list[str]]:
    """Each setting of the file with its values, in order."""
    found: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            key, value = line.split("=", 1)
            found.setdefault(key, []).append(value)
    return found


def test_the_unit_has_no_mistake(tmp_path: Path) -> None:
    program = tmp_path / "gatehand"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = tmp_path / "gatehand-notify.service"
    unit.write_text(UNIT.read_text().replace("/opt/gatehand/bin/gatehand", str(program)))
    drop_in = tmp_path / "gatehand-notify.service.d"
    for number in range(2):
        found = analyze("verify", "--man=no", str(unit))
        assert (found.returncode, found.stdout + found.stderr) == (0, ""), f"drop-in: {number}"
        drop_in.mkdir(exist_ok=True)
        (drop_in / "mailer.conf").write_text(MAILER.read_text())


def test_the_unit_is_hardened() -> None:
    found = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    score = re.search(r"exposure level for gatehand-notify\.service: ([\d.]+)", found.stdout)
    assert score is not None, found.stdout + found.stderr
    assert float(score[1]) <= 1.5
    assert f"gives {score[1]})" in (ROOT / "deploy/notify.md").read_text()


def test_what_protects_the_daemons_service_protects_this_one() -> None:
    daemons, ours = settings(DAEMONS), settings(UNIT)
    first = list(daemons).index("NoNewPrivileges")
    for key in list(daemons)[first : list(daemons).index("SystemCallErrorNumber") + 1]:
        if key not in LOOSER:
            assert ours.get(key) == daemons[key], key


def test_a_mailers_drop_in_takes_back_every_line_that_implies_no_new_privileges() -> None:
    # systemd.exec(5), "NoNewPrivileges=": the settings that imply it for a service with a user of its own.
    implying = {
        "SystemCallFilter", "SystemCallArchitectures", "RestrictAddressFamilies", "RestrictNamespaces",
        "PrivateDevices", "ProtectKernelTunables", "ProtectKernelModules", "ProtectKernelLogs", "ProtectClock",
        "MemoryDenyWriteExecute", "RestrictRealtime", "RestrictSUIDSGID", "ProtectHostname", "LockPersonality",
    }  # fmt: skip
    taken_back = settings(MAILER)
    assert implying | {"NoNewPrivileges"} <= taken_back.keys()
    assert all(taken_back[key] in (["no"], [""]) for key in implying | {"NoNewPrivileges"})
    kept = {"ProtectSystem", "ProtectHome", "PrivateTmp", "ProtectControlGroups", "User"}
    assert kept <= settings(UNIT).keys() - taken_back.keys()


def test_its_command_can_be_typed_and_is_not_tried_again_when_it_is_wrong() -> None:
    found = settings(UNIT)
    words = shlex.split(found["ExecStart"][0])
    args = command_parser("notify")[1].parse_args(words[2:])
    assert words[1] == "notify"
    assert found["LoadCredential"] == [f"{args.password_file.name}:{args.password_file}"]
    assert found["RestartPreventExitStatus"] == ["2"]
    assert found["KillMode"] == ["mixed"], "else the owner's program is ended with the service"
    assert float(found["TimeoutStopSec"][0]) > args.limit + 5


@pytest.mark.parametrize("name", ["viewer"])
def test_its_login_is_in_the_access_list_and_may_write_nothing(name: str) -> None:
    text = (ROOT / "deploy/mosquitto/example.acl").read_text()
    part = text.split(f"user {name}\n", 1)[1].split("\nuser ", 1)[0]
    topics = re.findall(r"^topic (\w+) (.*)$", part, re.MULTILINE)
    assert ("read", "gatehand/#") in topics
    assert {kind for kind, _ in topics} == {"read"}
