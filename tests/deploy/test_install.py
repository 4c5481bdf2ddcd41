"""deploy/install.sh in a clean Debian root: what it says it does, it does; twice is once; undo undoes."""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from broker_people import ROOT, Person, deployed
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.slow

PACKAGES = "python3,python3-venv,mosquitto,mosquitto-clients,systemd"


def missing(what: str) -> None:
    """Skip with a plain message; in CI that is a failure."""
    if os.environ.get("CI"):
        pytest.fail(what)
    pytest.skip(what)


def mirror() -> str:
    """Where this machine takes its own Debian packages from."""
    for file in (Path("/etc/apt/sources.list"), *sorted(Path("/etc/apt/sources.list.d").glob("*"))):
        found = (
            re.search(r"^(?:URIs:|deb(?: \[.*?\])?)\s*(\S+/debian)/?\s", file.read_text(), re.MULTILINE)
            if file.is_file()
            else None
        )
        if found:
            return found[1]
    missing("needs a Debian package source")
    raise AssertionError


def run(*args: str | Path, **options: object) -> str:
    """Run to its end; what it printed. A failure shows all of it."""
    done = subprocess.run([str(arg) for arg in args], capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]  # noqa: S603
    assert done.returncode == 0, f"{args}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return str(done.stdout)


class Root:
    """A Debian of its own in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def run(self, *args: str) -> str:
        """Run inside."""
        return run(
            "chroot",
            self.folder,
            *args,
            env={"PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"},
        )

    def path(self, name: str) -> Path:
        """A file inside, seen from outside."""
        return self.folder / name.lstrip("/")

    def mode(self, name: str) -> str:
        """Its permission bits."""
        return oct(self.path(name).stat().st_mode & 0o7777)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    if os.geteuid() != 0:
        missing("needs root for debootstrap")
    program = shutil.which("debootstrap")
    if program is None:
        missing("needs debootstrap: apt-get install debootstrap")
    folder = tmp_path_factory.mktemp("debian")
    folder.chmod(0o755)  # everybody inside may enter it
    run(str(program), "--variant=minbase", f"--include={PACKAGES}", "bookworm", folder, mirror())
    source = folder / "src"
    ignore = shutil.ignore_patterns(
        ".git", ".venv*", "__pycache__", ".hypothesis", ".mypy_cache", "*.egg-info", "tests"
    )
    shutil.copytree(ROOT, source, ignore=ignore)
    run(sys.executable, "-m", "pip", "wheel", "-q", f"{ROOT}[edit,page,watch]", "-w", source / "wheels")
    yield Root(folder)
    shutil.rmtree(folder, ignore_errors=True)


def test_it_says_what_it_does_and_a_dry_run_does_nothing(root: Root) -> None:
    said = root.run("/src/deploy/install.sh", "--dry-run")
    assert "This will:" in said
    assert "would run: useradd" in said
    assert not root.path("/opt/gatehand").exists()
    assert not root.path("/etc/gatehand").exists()


def test_it_installs_a_service_that_can_read_its_config(root: Root) -> None:
    root.run("/src/deploy/install.sh", "--yes", "--wheels", "/src/wheels")
    said = root.run("gatehand", "check", "--config", "/etc/gatehand/config.toml")
    assert ": error: " not in said
    assert "4 tools, 4 gates, 1 collector, 1 stop and 6 ducts" in said
    assert root.path("/etc/systemd/system/multi-user.target.wants/gatehand.service").is_symlink()
    assert root.mode("/etc/gatehand/mqtt-password") == "0o600"
    assert root.mode("/etc/mosquitto/gatehand.passwd") == "0o600"
    assert root.mode("/etc/gatehand/config.toml") == "0o640"
    assert root.mode("/var/lib/gatehand") == "0o750"
    assert "page" not in root.path("/etc/passwd").read_text()
    password = root.path("/etc/gatehand/mqtt-password").read_text()
    assert len(password) >= 24
    assert password not in root.path("/etc/mosquitto/gatehand.passwd").read_text()
    assert root.path("/etc/mosquitto/gatehand.acl").read_text() == (ROOT / "deploy/mosquitto/example.acl").read_text()


def test_twice_is_once(root: Root) -> None:
    config = root.path("/etc/gatehand/config.toml")
    config.write_text(config.read_text().replace("run_on = 10", "run_on = 12") + "\n# mine\n")
    before = {
        name: root.path(name).read_bytes() for name in ("/etc/gatehand/config.toml", "/etc/gatehand/mqtt-password")
    }
    root.run("/src/deploy/install.sh", "--yes", "--wheels", "/src/wheels")
    assert before == {name: root.path(name).read_bytes() for name in before}


def as_page(root: Root, *args: str) -> int:
    """A command as the user of the page; its exit code."""
    return subprocess.run(  # noqa: S603
        ["chroot", root.folder, "runuser", "-u", "gatehand-page", "--", *args],  # noqa: S607
        env={"PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        check=False,
    ).returncode


def test_the_page_comes_with_a_user_that_reads_what_it_shows_and_writes_nothing_but_its_own(root: Root) -> None:
    root.run("/src/deploy/install.sh", "--yes", "--wheels", "/src/wheels", "--page")
    assert root.path("/etc/systemd/system/multi-user.target.wants/gatehand-page.service").is_symlink()
    line = root.path("/var/lib/gatehand/log/events-2026-03-04.jsonl")
    line.parent.mkdir(parents=True, exist_ok=True)
    line.write_text("{}\n")
    root.run("chown", "-R", "gatehand:gatehand", "/var/lib/gatehand/log")
    root.run("chmod", "-R", "u=rwX,g=rX,o=", "/var/lib/gatehand/log")  # the unit's UMask
    log = f"/var/lib/gatehand/log/{line.name}"
    for file in ("/etc/gatehand/config.toml", log):
        assert as_page(root, "test", "-r", file) == 0, file
    for file in ("/etc/gatehand/mqtt-password", "/etc/gatehand/page-password", "/etc/mosquitto/gatehand.passwd"):
        assert as_page(root, "test", "-r", file) == 1, file
    for file in ("/etc/gatehand/config.toml", "/etc/gatehand", "/var/lib/gatehand", log, "/opt/gatehand/bin/gatehand"):
        assert as_page(root, "test", "-w", file) == 1, file
    assert as_page(root, "test", "-w", "/var/lib/gatehand-page") == 0
    assert as_page(root, "gatehand", "page", "--help") == 0
    assert as_page(root, "/opt/gatehand/bin/python", "-c", "import starlette, uvicorn") == 0


@pytest.mark.broker
def test_the_logins_that_it_makes_open_the_broker_that_it_sets_up(root: Root) -> None:
    broker = Mosquitto(listens=False)
    for name in ("gatehand.passwd", "gatehand.acl"):
        (broker.folder / name).write_text(root.path(f"/etc/mosquitto/{name}").read_text())
    broker.configure(deployed(broker.folder, broker.port))
    with broker:
        for login, file in (("gatehand", "mqtt-password"), ("page", "page-password")):
            person = Person(broker.port, login, password=root.path(f"/etc/gatehand/{file}").read_text())
            assert person.refused is None, login
            person.leave()


def shown(heading: str) -> list[str]:
    """The commands under a heading of deploy/README.md, without `sudo` and remarks."""
    part = (ROOT / "deploy/README.md").read_text().partition(f"\n## {heading}\n")[2]
    block = part.partition("```sh\n")[2].partition("```")[0]
    return [line.partition("#")[0].removeprefix("sudo ").strip() for line in block.splitlines()]


def test_what_is_backed_up_as_the_notes_say_comes_back_as_it_was(root: Root) -> None:
    names = ("/etc/gatehand/config.toml", "/etc/gatehand/mqtt-password", "/etc/mosquitto/gatehand.passwd")
    line = root.path("/var/lib/gatehand/log/events-2026-03-05.jsonl")
    line.parent.mkdir(parents=True, exist_ok=True)
    line.write_text('{"event":"tool_started"}\n')

    def standing() -> dict[str, tuple[bytes, str, int]]:
        return {
            name: (root.path(name).read_bytes(), root.mode(name), root.path(name).stat().st_uid)
            for name in (*names, f"/var/lib/gatehand/log/{line.name}")
        }

    before = standing()
    backup, restore = shown("Backup and restore")
    root.run("sh", "-c", backup)
    root.run("rm", "-r", "/etc/gatehand", "/var/lib/gatehand", "/etc/mosquitto/gatehand.passwd")
    root.run("sh", "-c", restore)
    assert standing() == before


def test_undo_keeps_what_is_the_owners_and_purge_takes_it(root: Root) -> None:
    root.run("/src/deploy/install.sh", "--undo", "--yes")
    assert not root.path("/opt/gatehand").exists()
    assert not root.path("/etc/systemd/system/gatehand.service").exists()
    assert not root.path("/etc/systemd/system/multi-user.target.wants/gatehand.service").is_symlink()
    assert not root.path("/etc/mosquitto/conf.d/gatehand.conf").exists()
    assert not root.path("/etc/systemd/system/gatehand-page.service").exists()
    assert not root.path("/etc/systemd/system/multi-user.target.wants/gatehand-page.service").is_symlink()
    assert root.path("/var/lib/gatehand-page").exists()
    assert "# mine" in root.path("/etc/gatehand/config.toml").read_text()
    root.run("/src/deploy/install.sh", "--undo", "--purge", "--yes")
    assert not root.path("/etc/gatehand").exists()
    assert not root.path("/var/lib/gatehand").exists()
    assert not root.path("/var/lib/gatehand-page").exists()
    assert "gatehand" not in root.path("/etc/group").read_text()
    assert "gatehand" not in root.path("/etc/passwd").read_text()
