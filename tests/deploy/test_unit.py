"""The service unit, judged by systemd's own checkers."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from broker_people import ROOT

UNIT = ROOT / "deploy/gatehand.service"


def analyze(*args: str) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("needs systemd-analyze: apt-get install systemd")
    return subprocess.run([program, *args], capture_output=True, text=True, check=False)  # noqa: S603


def test_the_unit_has_no_mistake(tmp_path: Path) -> None:
    program = tmp_path / "gatehand"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = tmp_path / "gatehand.service"
    unit.write_text(UNIT.read_text().replace("/opt/gatehand/bin/gatehand", str(program)))
    found = analyze("verify", "--man=no", str(unit))
    assert (found.returncode, found.stdout + found.stderr) == (0, "")


def test_the_unit_is_hardened() -> None:
    found = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    score = re.search(r"exposure level for gatehand\.service: ([\d.]+)", found.stdout)
    assert score is not None, found.stdout + found.stderr
    assert float(score[1]) <= 1.5


def test_a_wrong_config_is_not_tried_again_and_every_end_publishes_off() -> None:
    text = UNIT.read_text()
    assert "RestartPreventExitStatus=78" in text
    assert re.search(r"^ExecStopPost=\S+/gatehand off ", text, re.MULTILINE)
