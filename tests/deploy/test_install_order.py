"""deploy/install.sh in a root of stubs: in which order it does things, and what is there when one of them fails."""

import os
import re
import subprocess
from pathlib import Path

import pytest
from broker_people import ROOT

SCRIPT = ROOT / "deploy/install.sh"
PYTHON = """#!/bin/sh
# The python of a virtual environment: pip, and a gatehand that knows a broken config when it sees one.
here=$(dirname "$0")
case "$*" in
    *"pip install"*)
        [ ! -e "$LOG.no_pip" ] || exit 1
        echo "$*" > "$LOG.pip"
        echo "$RELEASE" > "$here/../release"
        printf '#!%s/python\\necho gatehand\\n' "$here" > "$here/gatehand"
        chmod +x "$here/gatehand" ;;
    *"gatehand check"*) if grep -q broken "$5"; then echo "$5:1:1: error: broken"; exit 1; fi ;;
    *"gatehand access"*) if grep -q unfit "$5"; then exit 1; fi
        if [ "$*" != "${*%--only page}" ] && grep -q pageless "$5"; then echo "there is no login 'page'" >&2; exit 2; fi
        echo "list of $RELEASE" ;;
    *) exit 9 ;;
esac
"""
STUBS = {
    "id": "echo 0",
    "python3": 'case "$*" in "-m venv "*) mkdir -p "$3/bin"; cp "$VENV_PYTHON" "$3/bin/python"; '
    'echo "command = python3 -m venv $3" > "$3/pyvenv.cfg" ;; esac',
    "dpkg-query": "echo install ok installed",
    "apt-get": "exit 9",
    "useradd": "true",
    "userdel": 'echo "userdel $*" >> "$LOG"',
    "chown": "true",
    "chgrp": "true",
    "mosquitto_passwd": 'case "$1" in -D) sed -i "/^$3:/d" "$2" ;; esac',
    "systemctl": 'echo "$* $(cat "$INSTALL_ROOT/opt/gatehand/release" 2>&1)" >> "$LOG"; [ ! -e "$LOG.fails" ] || '
    'case "$*" in "restart gatehand.service") rm "$LOG.fails"; exit 1 ;; esac; [ ! -e "$LOG.page_fails" ] || '
    'case "$*" in "restart gatehand-page.service") exit 1 ;; esac',
}
# Who owns what cannot be set here.
INSTALL = """#!/usr/bin/env python3
import subprocess, sys
args, kept = iter(sys.argv[1:]), []
for each in args:
    if each in ("-o", "-g"):
        next(args)
    else:
        kept.append(each)
sys.exit(subprocess.call(["/usr/bin/install", *kept]))
"""


class Machine:
    """A root folder, and commands that do nothing to the machine of the test."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "root"
        self.stubs = folder / "stubs"
        self.log = folder / "log"
        for name in (
            "opt",
            "etc/systemd/system",
            "etc/mosquitto/conf.d",
            "usr/local/bin",
            "var/lib",
            "run/systemd/system",
        ):
            (self.root / name).mkdir(parents=True)
        self.stubs.mkdir()
        for name, text in STUBS.items():
            self.stub(name, f"#!/bin/sh\n{text}\n")
        self.stub("install", INSTALL.replace("/usr/bin/env python3", os.path.realpath("/usr/bin/python3")))
        self.stub("venv-python", PYTHON)

    def stub(self, name: str, text: str) -> None:
        file = self.stubs / name
        file.write_text(text)
        file.chmod(0o755)

    def install(self, release: str, *args: str) -> subprocess.CompletedProcess[str]:
        assert "root=${INSTALL_ROOT:-}" in SCRIPT.read_text(), "else it would install on this very machine"
        self.log.write_text("")
        return subprocess.run(  # noqa: S603
            [SCRIPT, "--yes", *args],
            env={
                "PATH": f"{self.stubs}:/usr/sbin:/usr/bin:/sbin:/bin",
                "INSTALL_ROOT": str(self.root),
                "VENV_PYTHON": str(self.stubs / "venv-python"),
                "RELEASE": release,
                "LOG": str(self.log),
            },
            capture_output=True,
            text=True,
            check=False,
        )

    def text(self, name: str) -> str:
        return (self.root / name).read_text()

    @property
    def config(self) -> Path:
        return self.root / "etc/gatehand/config.toml"

    @property
    def logins(self) -> list[str]:
        """The broker's, in its file's order."""
        return [line.partition(":")[0] for line in self.text("etc/mosquitto/gatehand.passwd").splitlines()]

    @property
    def packages(self) -> str:
        """The last words of the newest call of pip: what it had to install."""
        return Path(f"{self.log}.pip").read_text().split()[-1]

    @property
    def service(self) -> list[str]:
        """What the service manager was told, and the release that stood in place then."""
        return self.log.read_text().splitlines()

    def works_with(self, release: str) -> None:
        assert self.text("opt/gatehand/release") == f"{release}\n"
        assert self.text("etc/mosquitto/gatehand.acl") == f"list of {release}\n"
        gatehand = self.root / "opt/gatehand/bin/gatehand"
        assert (self.root / "usr/local/bin/gatehand").resolve() == gatehand
        assert ".new" not in gatehand.read_text(), "a script that names where it was built would not start"
        assert sorted(path.name for path in (self.root / "opt").iterdir()) == ["gatehand"], "nothing is left over"


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_a_first_installation_ends_with_the_service_running(machine: Machine) -> None:
    done = machine.install("one")
    assert done.returncode == 0, done.stderr
    machine.works_with("one")
    assert machine.service[-1] == "restart gatehand.service one"


def test_a_new_release_takes_the_place_of_the_old_one_once_it_has_taken_the_config(machine: Machine) -> None:
    machine.install("one")
    done = machine.install("two")
    assert done.returncode == 0, done.stderr
    machine.works_with("two")
    assert machine.service[-1] == "restart gatehand.service two"


@pytest.mark.parametrize("slip", ["broken", "unfit"])
def test_a_config_error_leaves_the_program_and_the_service_as_they_were(machine: Machine, slip: str) -> None:
    machine.install("one")
    machine.config.write_text(f"# {slip}\n")
    done = machine.install("two")
    assert done.returncode == 1
    machine.works_with("one")
    assert machine.service == [], "the service is not even restarted"


def test_a_config_error_is_shown_and_what_to_do_about_it(machine: Machine) -> None:
    machine.install("one")
    machine.config.write_text("# broken\n")
    said = machine.install("two").stderr
    assert "config.toml:1:1: error: broken" in said
    assert "the program and the service are as they were. Correct it, then run this again." in said


def test_packages_that_cannot_be_had_leave_the_program_as_it_was(machine: Machine) -> None:
    machine.install("one")
    Path(f"{machine.log}.no_pip").touch()
    assert machine.install("two").returncode != 0
    assert machine.text("opt/gatehand/release") == "one\n"
    assert machine.service == []


def test_a_service_that_does_not_start_with_the_new_release_runs_on_with_the_old_one(machine: Machine) -> None:
    machine.install("one")
    unit = machine.root / "etc/systemd/system/gatehand.service"
    unit.write_text("[Unit]\n# of release one\n")
    Path(f"{machine.log}.fails").touch()
    done = machine.install("two")
    assert done.returncode != 0
    assert "putting back what was there" in done.stderr
    machine.works_with("one")
    assert "# of release one" in unit.read_text()
    assert machine.service[-1] == "restart gatehand.service one"


def test_a_dry_run_changes_nothing(machine: Machine) -> None:
    done = machine.install("one", "--dry-run")
    assert done.returncode == 0, done.stderr
    assert not list((machine.root / "opt").iterdir())
    assert machine.service == []


def test_listeners_of_the_owner_outlive_a_new_release_and_go_with_an_undo(machine: Machine) -> None:
    """Without gatehand.conf, which gives each listener logins of its own, Mosquitto would not start with them."""
    machine.install("one")
    broker = machine.root / "etc/mosquitto"
    for name in ("tls", "plain"):
        (broker / f"conf.d/gatehand_{name}.conf").write_text("# mine\n")
    (broker / "gatehand_plain.passwd").write_text("tool-band_saw:secret\n")
    machine.install("two")
    assert (broker / "conf.d/gatehand_tls.conf").read_text() == "# mine\n"
    assert machine.install("two", "--undo").returncode == 0
    assert list((broker / "conf.d").iterdir()) == []
    assert (broker / "gatehand_plain.passwd").exists()
    machine.install("two", "--undo", "--purge")
    assert not (broker / "gatehand_plain.passwd").exists()


def test_a_listener_that_was_switched_on_in_the_file_of_an_earlier_release_is_kept_and_told_of(
    machine: Machine,
) -> None:
    machine.install("one")
    settings = machine.root / "etc/mosquitto/conf.d/gatehand.conf"
    settings.write_text("listener 1883 127.0.0.1\nlistener 8883\ncertfile /etc/mosquitto/certs/mine.crt\n")
    said = machine.install("two").stdout
    assert "mine.crt" in settings.with_name("gatehand.conf.old").read_text()
    assert "put it into conf.d/gatehand_tls.conf" in said
    assert "8883" not in settings.read_text()
    assert "8883" not in machine.install("two").stdout, "told once"


# Services beside the daemon's

UNIT = "etc/systemd/system/gatehand-page.service"
PASSWORD, STATE = "etc/gatehand/page-password", "var/lib/gatehand-page"
BESIDE = sorted(path for path in (ROOT / "deploy").glob("gatehand-*.service"))


def login_of(unit: Path) -> str:
    """The one that its unit names."""
    found = re.search(r"^ExecStart=.* --username ([a-z]+) ", unit.read_text(), re.MULTILINE)
    assert found is not None, unit
    return found[1]


@pytest.fixture(params=BESIDE, ids=[unit.stem for unit in BESIDE])
def unit(request: pytest.FixtureRequest) -> Path:
    found: Path = request.param
    return found


def test_a_service_is_installed_where_it_is_asked_for_after_the_daemon(machine: Machine, unit: Path) -> None:
    name, login = unit.stem.removeprefix("gatehand-"), login_of(unit)
    done = machine.install("one", f"--{name}")
    assert done.returncode == 0, done.stderr
    machine.works_with("one")
    assert machine.text(f"etc/systemd/system/{unit.name}") == unit.read_text()
    told = [line.removesuffix(" one") for line in machine.service if "gatehand" in line]
    assert told[:3] == ["enable gatehand.service", "restart gatehand.service", f"enable {unit.name}"]
    assert told[-1] == f"restart {unit.name}"
    assert machine.packages.endswith("[edit,watch,page]" if name == "page" else "[edit,watch]")
    assert machine.logins == ["gatehand", login]
    password, state = machine.root / f"etc/gatehand/{login}-password", machine.root / f"var/lib/{unit.stem}"
    assert f"{login}:{password.read_text()}\n" in machine.text("etc/mosquitto/gatehand.passwd"), "as it is before -U"
    assert len(password.read_text()) >= 24
    assert (password.stat().st_mode & 0o777, state.stat().st_mode & 0o777) == (0o600, 0o700)
    assert password.read_text() not in done.stdout + done.stderr
    left = {path.name for path in (machine.root / "etc/mosquitto").iterdir()}
    assert left == {"conf.d", "gatehand.passwd", "gatehand.acl"}, "no secret is left over"


def test_a_purge_of_a_service_leaves_a_login_that_others_may_have_too(machine: Machine, unit: Path) -> None:
    name, login = unit.stem.removeprefix("gatehand-"), login_of(unit)
    machine.install("one", f"--{name}")
    drop_in = machine.root / f"etc/systemd/system/{unit.name}.d/override.conf"
    drop_in.parent.mkdir()
    drop_in.touch()
    assert machine.install("one", "--undo", f"--{name}").returncode == 0
    assert drop_in.exists()
    assert machine.install("one", "--undo", f"--{name}", "--purge").returncode == 0
    assert not drop_in.exists()
    assert (login in machine.logins) == (login != name)
    assert (machine.root / f"etc/gatehand/{login}-password").exists() == (login != name)
    assert machine.install("one", f"--{name}").returncode == 0, "and it can be installed again"


def test_by_default_nothing_of_it_is_installed(machine: Machine) -> None:
    said = machine.install("one").stdout
    assert "page" not in said
    assert not (machine.root / UNIT).exists()
    assert not (machine.root / PASSWORD).exists()
    assert not (machine.root / STATE).exists()
    assert machine.logins == ["gatehand"]
    assert machine.packages.endswith("[edit,watch]")


def test_twice_is_once_for_the_page_too(machine: Machine) -> None:
    machine.install("one", "--page")
    before = {name: machine.text(name) for name in (PASSWORD, "etc/mosquitto/gatehand.passwd")}
    done = machine.install("two", "--page", "--page")
    assert done.returncode == 0, done.stderr
    assert before == {name: machine.text(name) for name in before}


def test_a_page_that_is_installed_stays_and_comes_along_with_a_new_release(machine: Machine) -> None:
    machine.install("one", "--page")
    (machine.root / UNIT).write_text("# of release one\n")
    done = machine.install("two")
    assert done.returncode == 0, done.stderr
    assert "bring the service gatehand-page, which is installed, up to date" in done.stdout
    assert machine.packages.endswith("[edit,watch,page]"), "else it would not start any more"
    assert "# of release one" not in machine.text(UNIT)
    assert machine.service[-1] == "restart gatehand-page.service two"


def test_a_config_without_a_page_is_told_of_and_nothing_is_replaced(machine: Machine) -> None:
    machine.install("one")
    machine.config.write_text("# pageless\n")
    done = machine.install("two", "--page")
    assert done.returncode == 1
    assert "there is no login 'page'" in done.stderr
    assert "deploy/page.md" in done.stderr
    machine.works_with("one")
    assert machine.service == []
    assert not (machine.root / UNIT).exists()
    assert machine.install("two").returncode == 0, "without it all is well"


def test_a_login_whose_password_only_its_owner_knows_is_left_alone(machine: Machine) -> None:
    machine.install("one")
    logins = machine.root / "etc/mosquitto/gatehand.passwd"
    logins.write_text(f"{logins.read_text()}page:hash\n")
    before = logins.read_text()
    done = machine.install("two", "--page")
    assert done.returncode == 1
    assert "has a login page already" in done.stderr
    assert (logins.read_text(), (machine.root / PASSWORD).exists()) == (before, False)
    machine.works_with("one")
    (machine.root / PASSWORD).write_text("its own\n")
    assert machine.install("two", "--page").returncode == 0
    assert (logins.read_text(), machine.text(PASSWORD)) == (before, "its own\n")


def test_a_page_that_does_not_start_takes_nothing_from_the_daemon(machine: Machine) -> None:
    machine.install("one", "--page")
    Path(f"{machine.log}.page_fails").touch()
    done = machine.install("two", "--page")
    assert done.returncode == 0, done.stderr
    machine.works_with("two")
    assert "gatehand-page does not start yet" in done.stdout
    assert "journalctl -u gatehand-page" in done.stdout


def test_a_daemon_that_does_not_start_brings_back_the_page_of_before(machine: Machine) -> None:
    machine.install("one", "--page")
    (machine.root / UNIT).write_text("# of release one\n")
    Path(f"{machine.log}.fails").touch()
    assert machine.install("two").returncode != 0
    machine.works_with("one")
    assert machine.text(UNIT) == "# of release one\n"
    assert machine.service[-2:] == ["restart gatehand.service one", "restart gatehand-page.service one"]


def test_the_page_alone_can_be_taken_away_and_the_daemon_stays(machine: Machine) -> None:
    machine.install("one", "--page")
    phones = machine.root / STATE / "phones.json"
    phones.write_text("{}")
    done = machine.install("one", "--undo", "--page")
    assert done.returncode == 0, done.stderr
    machine.works_with("one")
    assert machine.service[0] == "disable --now gatehand-page.service one"
    assert not any("gatehand.service" in line for line in machine.service)
    assert not (machine.root / UNIT).exists()
    assert phones.exists()
    assert (machine.root / PASSWORD).exists()
    machine.install("one", "--page")
    assert machine.logins == ["gatehand", "page"]
    machine.install("one", "--undo", "--page", "--purge")
    assert not (machine.root / STATE).exists()
    assert not (machine.root / PASSWORD).exists()
    assert machine.logins == ["gatehand"]
    assert "userdel gatehand-page" in machine.service
    assert machine.config.exists()


def test_an_undo_takes_every_service_and_a_purge_what_a_service_of_before_has_left(machine: Machine) -> None:
    machine.install("one", "--page")
    machine.install("one", "--undo", "--page")
    others = machine.root / "var/lib/others"
    others.mkdir()
    done = machine.install("one", "--undo", "--purge")
    assert done.returncode == 0, done.stderr
    assert not (machine.root / STATE).exists()
    deleted = [line for line in machine.service if line.startswith("userdel")]
    assert deleted == ["userdel gatehand-page", "userdel gatehand"], "its group has the other in it"
    assert others.exists()
    assert not (machine.root / "etc/gatehand").exists()


@pytest.mark.parametrize("args", [["--page"], ["--undo", "--page", "--purge"], ["--undo", "--purge"]])
def test_a_dry_run_says_it_of_the_page_and_changes_nothing(machine: Machine, args: list[str]) -> None:
    machine.install("one", "--page")

    def standing() -> dict[str, bytes]:
        return {str(path): path.read_bytes() for path in machine.root.rglob("*") if path.is_file()}

    before = standing()
    done = machine.install("two", *args, "--dry-run")
    assert done.returncode == 0, done.stderr
    assert "gatehand-page" in done.stdout
    assert "Nothing was changed" in done.stdout
    assert (standing(), machine.service) == (before, [])


def test_what_the_installer_makes_is_what_the_unit_wants(unit: Path) -> None:
    text, login = unit.read_text(), login_of(unit)
    for line in (
        f"User={unit.stem}",
        f"Group={unit.stem}",
        f"StateDirectory={unit.stem}",
        f"LoadCredential={login}-password:/etc/gatehand/{login}-password",
    ):
        assert f"\n{line}\n" in text
