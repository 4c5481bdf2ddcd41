"""Certificates of a shop's own authority, made by the program openssl for one test.

The folder is the broker's own (`Mosquitto.folder`): it drops root for a user of its own, who may not enter the
folders of the tests.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest


def _openssl(folder: Path, *words: str) -> None:
    program = shutil.which("openssl")
    if program is None:
        message = "needs the program openssl: apt-get install openssl"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    subprocess.run([program, *words], cwd=folder, check=True, capture_output=True)  # noqa: S603


def make_authority(folder: Path, name: str) -> Path:
    """An authority: `<name>.pem` and its key; gives the certificate."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2")
    _openssl(folder, "req", "-x509", *curve, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN={name}")
    return folder / f"{name}.pem"


def make_broker_certificate(folder: Path, authority: str, *, names: str = "IP:127.0.0.1") -> tuple[str, str]:
    """A certificate for the broker, signed by the authority; gives the broker's settings for it."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    _openssl(folder, "req", *curve, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=broker")
    (folder / "names").write_text(f"subjectAltName={names}\n")
    signed = ("-CA", f"{authority}.pem", "-CAkey", f"{authority}.key", "-CAcreateserial", "-days", "2")
    _openssl(folder, "x509", "-req", "-in", "broker.csr", *signed, "-extfile", "names", "-out", "broker.crt")
    for file in folder.glob("broker.*"):
        file.chmod(0o644)  # the broker drops root for a user of its own
    return f"certfile {folder}/broker.crt", f"keyfile {folder}/broker.key"
