"""`check --fix`: shows the difference, writes only when told, changes nothing but the span, and loses no byte."""

import json
import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from gatehand import small_files
from gatehand.cli import main
from gatehand.config import load, load_text
from gatehand.config.fixes import corrected

SMALLEST = (Path(__file__).parent / "good" / "smallest.toml").read_text(encoding="utf-8")
SLIP = SMALLEST.replace("start_amps", "start_apms")


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_bytes(SLIP.encode())
    return path


def fix(path: Path, *more: str) -> int:
    return main(["check", "--fix", *more, str(path)])


def names(config: Path) -> list[str]:
    """What stands in its folder."""
    return sorted(path.name for path in config.parent.iterdir())


def test_the_difference_is_shown_and_nothing_written(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert fix(config) == 1
    told = capsys.readouterr().out
    assert f"+++ {config} (proposed)\n" in told
    assert "\n-start_apms = 2\n+start_amps = 2\n" in told
    assert told.splitlines()[-1].startswith(
        f"{config}: 1 correction shown, nothing written (add --write); with them: no problems"
    )
    assert config.read_text() == SLIP
    assert names(config) == ["config.toml"]


def test_with_write_the_span_alone_changes_and_the_old_file_is_kept(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert fix(config, "--write") == 0
    assert config.read_text() == SMALLEST
    assert (config.parent / "config.toml.bak").read_text() == SLIP
    told = capsys.readouterr().out
    assert "1 correction written, the old file is" in told
    assert f"+++ {config} (corrected)\n" in told
    assert "(proposed)" not in told
    assert names(config) == ["config.toml", "config.toml.bak"]


@pytest.mark.parametrize(
    "content",
    [
        SLIP.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + SLIP.encode(),
        SLIP.rstrip("\n").encode(),
        f"# \u00e4\u6728\t{SLIP}# tail  \n\n\n".encode(),
        SLIP.replace("start_apms = 2", "\tstart_apms\t= 2  # \u00e4").encode(),
    ],
    ids=["CRLF", "byte order mark", "no last line end", "other alphabets", "tabs and a comment"],
)
def test_encoding_line_ends_and_comments_are_kept_byte_for_byte(config: Path, content: bytes) -> None:
    config.write_bytes(content)
    assert fix(config, "--write") == 0
    assert config.read_bytes() == content.replace(b"start_apms", b"start_amps")
    assert (config.parent / "config.toml.bak").read_bytes() == content


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('run_on = "60s"', "run_on = 60s"),
        ('run_on = "1 min 30 s"  # long', "run_on = 1 min 30 s  # long"),
        ("'run_on' = 5", "'run_om' = 5"),
        ('"run_on" = 5', '"run_om" = 5'),
        ("assist = ['bench']", "assist = ['bnech']"),
        ('current.pointer = "/a"', 'current.pointr = "/a"'),
    ],
)
def test_what_is_certain_is_put_right_in_the_quotes_that_it_had(right: str, wrong: str) -> None:
    text = SMALLEST.replace("current = { topic", "current.topic").replace('" }\nstart', '"\nstart')
    text = text + 'ASSIST\n[gate.bench]\ncommand = { topic = "b", open = "1", shut = "0" }\nrelief = true\n'
    assert load_text(text.replace("ASSIST", right), Path("c.toml")).ok
    after = corrected(load_text(text.replace("ASSIST", wrong), Path("c.toml")))
    assert after.loaded.text == text.replace("ASSIST", right)


@pytest.mark.parametrize(
    "more",
    [
        "start_amps = 2\nstart_amp = 3\n",  # set already
        "start_amps = 2\nrun_nn_on = 3\n",  # two letters away
        "start_amps = 2\nrun_om = -3\n",  # would be a mistake in that line too
        "start_amps = 60s\n",  # no duration is wanted here
        "start_amps = 2\ncollector = main\n",  # a name without quotes
        'start_amps = 2\nassist = ["bench_3"]\n',  # two are equally near
        "start_amps = 2\ngates_ = []\n",  # set already
    ],
)
def test_what_is_not_certain_is_left(more: str) -> None:
    gates = "".join(
        f'[gate.bench_{n}]\ncommand = {{ topic = "b{n}", open = "1", shut = "0" }}\nrelief = true\n' for n in (1, 2)
    )
    text = gates + SMALLEST.replace("start_amps = 2\n", more)
    loaded = load_text(text, Path("c.toml"))
    assert loaded.errors
    assert corrected(loaded).loaded.text == text


def test_two_tables_never_become_one(tmp_path: Path) -> None:
    text = '[brokre]\nhost = "a"\n' + SMALLEST + '[broker]\nhost = "b"\n'
    assert corrected(load_text(text, tmp_path / "c.toml")).fixed == ()


def test_each_slip_of_several_is_corrected_and_the_rest_told(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config.write_text(SLIP.replace("[gate.saw]", "[gaet.saw]") + "run_om = 5\nsilent_after = never\n")
    assert fix(config, "--write") == 1
    told = capsys.readouterr().out
    assert "3 corrections written" in told
    assert "found never without quotes" in told
    assert [each.code for each in load(config).problems] == ["text-without-quotes"]


def test_a_kept_file_is_never_written_over(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = config.with_name("config.toml.bak")
    kept.write_text("mine\n")
    assert fix(config, "--write") == 0
    assert kept.read_text() == "mine\n"
    second = config.with_name("config.toml.bak.2")
    assert second.read_text() == SLIP
    assert str(second) in capsys.readouterr().out


def test_a_file_without_a_slip_is_left_alone(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config.write_text(SMALLEST)
    before = config.stat()
    assert fix(config, "--write") == 0
    assert capsys.readouterr().out == (
        f"{config}: nothing that is certain to fix; no problems; 1 tool, 1 gate and 1 collector\n"
    )
    assert config.stat() == before
    assert names(config) == ["config.toml"]


def test_rights_and_owner_are_kept(config: Path) -> None:
    config.chmod(0o640)
    if os.geteuid() == 0:
        os.chown(config, 1234, 1234)
    was = config.stat()
    assert fix(config, "--write") == 0
    for path in (config, config.with_name("config.toml.bak")):
        now = path.stat()
        assert (stat.S_IMODE(now.st_mode), now.st_uid, now.st_gid) == (0o640, was.st_uid, was.st_gid)


def test_a_link_stays_a_link(config: Path) -> None:
    link = config.with_name("link.toml")
    link.symlink_to(config)
    assert fix(link, "--write") == 0
    assert link.is_symlink()
    assert config.read_text() == SMALLEST


def test_the_daemon_sees_the_old_file_or_the_new_one_whole(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the one rename the name leads to the old bytes, and the new ones are on the medium by then."""
    steps: list[str] = []
    real_sync, real_replace = os.fsync, Path.replace

    def sync(handle: int) -> None:
        real_sync(handle)
        steps.append(Path(f"/proc/self/fd/{handle}").readlink().name)

    def replace(self: Path, target: Path) -> Path:
        assert config.read_text() == SLIP
        assert self.read_text() == SMALLEST
        steps.append("rename")
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "replace", replace)
    assert fix(config, "--write") == 0
    folder = config.parent.name
    copy, after_copy, aside, rename, after = steps
    assert (copy, after_copy, rename, after) == ("config.toml.bak", folder, "rename", folder)
    assert aside.endswith(".new")


def saved_meanwhile(config: Path) -> None:
    config.write_text(SLIP + "# saved in an editor\n")


def test_a_file_that_was_saved_meanwhile_is_left_as_it_is(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = small_files.keep_copy

    def keep(path: Path, content: bytes) -> Path:
        copy = real(path, content)
        saved_meanwhile(path)
        return copy

    monkeypatch.setattr(small_files, "keep_copy", keep)
    assert fix(config, "--write") == 1
    assert "was saved by somebody else meanwhile, so it is left as it is" in capsys.readouterr().err
    assert config.read_text().endswith("# saved in an editor\n")
    assert not any(name.endswith(".new") for name in names(config))


def refusing(*_: object, **__: object) -> int:
    raise PermissionError(13, "Permission denied")


@pytest.mark.parametrize(
    "refuse",
    [lambda patch: patch.setattr("tempfile.mkstemp", refusing), lambda patch: patch.setattr(os, "fsync", refusing)],
)
def test_a_place_that_cannot_be_written_is_told_and_the_config_is_as_it_was(
    refuse: Callable[[pytest.MonkeyPatch], None],
    config: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    refuse(monkeypatch)
    assert fix(config, "--write") == 1
    told = capsys.readouterr().err
    assert "cannot be written (Permission denied; its owner may, or a user that may write to its folder)" in told
    assert "the config is as it was" in told
    assert config.read_text() == SLIP
    assert not any(name.endswith(".new") for name in names(config))


def test_a_folder_that_the_user_may_not_write_to_keeps_the_config(capsys: pytest.CaptureFixture[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder, "config.toml")
        config.write_text(SLIP)
        config.chmod(0o666)
        Path(folder).chmod(0o555)
        root = os.geteuid() == 0
        try:
            if root:
                os.seteuid(12345)
            code = fix(config, "--write")
        finally:
            if root:
                os.seteuid(0)
            Path(folder).chmod(0o755)
        assert code == 1
        assert "config.toml.bak: cannot be written (Permission denied" in capsys.readouterr().err
        assert names(config) == ["config.toml"]
        assert config.read_text() == SLIP


@pytest.mark.parametrize(
    ("name", "code", "why"),
    [
        ("/", 1, "is a folder: wanted a file"),
        ("/none.toml", 1, "there is no such file"),
        ("/dev/null", 1, "is a device: wanted a file"),
        ("-", 2, "it cannot read standard input"),
    ],
)
def test_what_is_no_file_is_told_as_such(name: str, code: int, why: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fix", "--write", name]) == code
    assert why in capsys.readouterr().err


def test_write_without_fix_is_wrong_usage(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--write", str(config)]) == 2
    assert capsys.readouterr().err == "gatehand check: --write goes with --fix\n"


def test_json_tells_programs_the_same(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert fix(config, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["kept"], len(told["fixed"])) == (False, None, 1)
    assert [each["code"] for each in told["problems"]] == ["unknown-key"]
    assert "+start_amps = 2" in told["difference"]
    assert fix(config, "--write", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["problems"], told["kept"]) == (True, [], f"{config}.bak")


def test_check_says_how_many_it_could_correct(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config.write_text(SLIP + "run_om = 5\n")
    assert main(["check", str(config)]) == 1
    assert capsys.readouterr().out.splitlines()[-1] == (f"gatehand check --fix {config} shows how to fix 2 of them")
