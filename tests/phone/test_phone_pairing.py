"""Which phones are paired: codes, cookies, and the file on a disk that fills, tears and is another user's."""

import errno
import fcntl
import hashlib
import json
import os
import stat
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from door_support import Clock, Door
from hypothesis import given, settings
from hypothesis import strategies as some

from gatehand.journal.disk import Disk
from gatehand.phone import folder_locks
from gatehand.phone.folder_locks import LOCK, SERVED, is_served, serve_from
from gatehand.phone.pairing import (
    ALPHABET,
    FILE,
    MOST_PHONES,
    PAIRED_FOR,
    NotPaired,
    Paired,
    Pairing,
    PairingError,
)


def made(folder: Path, clock: Clock | None = None, disk: Disk | None = None) -> Pairing:
    return Pairing(folder, clock or Clock(), lambda _: None, disk)


def token(pairing: Pairing) -> str:
    found = pairing.pair(pairing.new_code())
    assert isinstance(found, Paired)
    return found.token


def test_a_code_is_forty_bits_that_nobody_misreads(tmp_path: Path) -> None:
    assert not set("0O1IL") & set(ALPHABET)
    assert len(ALPHABET) ** 8 > 2**39
    codes = {made(tmp_path).new_code() for _ in range(20)}
    assert len(codes) == 20
    assert all(len(code) == 9 and code[4] == "-" and set(code) <= {*ALPHABET, "-"} for code in codes)


@pytest.mark.parametrize("change", [str.lower, lambda code: f"  {code.replace('-', '')} ", " ".join])
def test_a_code_counts_however_a_thumb_types_it(tmp_path: Path, change: Callable[[str], str]) -> None:
    pairing = made(tmp_path)
    assert isinstance(pairing.pair(change(pairing.new_code())), Paired)


def test_a_code_counts_once_for_ten_minutes_and_not_when_the_clock_went_back(tmp_path: Path) -> None:
    clock = Clock()
    pairing = made(tmp_path, clock)
    code = pairing.new_code()
    assert isinstance(pairing.pair(code), Paired)
    assert pairing.pair(code) is NotPaired.NO_CODE
    for passed, counts in ((599.0, True), (600.0, False), (-4.0, True), (-60.0, False), (1e9, False)):
        code, was = pairing.new_code(), clock.now
        clock.now += passed
        assert isinstance(pairing.pair(code), Paired) is counts, passed
        clock.now = was


def test_five_wrong_tries_void_a_code_also_over_a_restart(tmp_path: Path) -> None:
    code = made(tmp_path).new_code()
    for number in range(1, 5):
        assert made(tmp_path).pair("WRNG-CDEX") is NotPaired.WRONG, number
    assert made(tmp_path).pair("WRNG-CDEX") is NotPaired.VOID
    assert made(tmp_path).pair(code) is NotPaired.NO_CODE


def test_four_wrong_tries_leave_the_code_and_a_new_code_voids_the_old_one(tmp_path: Path) -> None:
    pairing = made(tmp_path)
    first = pairing.new_code()
    second = pairing.new_code()
    assert pairing.pair(first) is NotPaired.WRONG
    for _ in range(3):
        assert pairing.pair("") is NotPaired.WRONG
    assert isinstance(pairing.pair(second), Paired)


@settings(max_examples=25)
@given(some.one_of(some.text(max_size=80), some.text(some.characters(categories=["Cs"]), max_size=5)))
def test_no_text_breaks_a_try_and_none_pairs(typed: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        pairing = made(Path(folder))
        pairing.new_code()
        assert pairing.pair(typed) is NotPaired.WRONG
        assert pairing.count == 0


def test_only_hashes_are_on_the_disk_for_its_owner_alone(tmp_path: Path) -> None:
    pairing = made(tmp_path)
    secret = token(pairing)
    code = pairing.new_code()
    for file in tmp_path.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
        text = file.read_text()
        assert secret not in text
        assert code not in text
        assert code.replace("-", "") not in text
    assert hashlib.sha256(secret.encode()).hexdigest() in (tmp_path / FILE).read_text()
    assert len(secret) == 43, "256 bits in base64"


def test_a_restart_and_another_process_know_the_phone_and_forgetting_holds_everywhere(tmp_path: Path) -> None:
    page = made(tmp_path)
    first, second = token(page), token(page)
    assert made(tmp_path).knows(first)
    made(tmp_path).forget(page.knows(first))
    assert (page.knows(first), bool(page.knows(second))) == ("", True)
    made(tmp_path).new_code()
    assert page.knows(second), "a new code takes no phone away"
    assert made(tmp_path).forget_all() == 1
    assert page.knows(second) == ""
    assert page.count == 0


def test_a_copied_cookie_is_worth_nothing_once_the_phones_own_has_run_out(tmp_path: Path) -> None:
    clock = Clock()
    pairing = made(tmp_path, clock)
    mine = token(pairing)
    clock.now += PAIRED_FOR - 1
    assert pairing.knows(mine)
    clock.now += 1
    assert not pairing.knows(mine)
    clock.now -= 2 * PAIRED_FOR
    assert pairing.knows(mine), "a clock that was set back takes nobody's phone away"


@pytest.mark.parametrize("wrong", [None, "", "x", "A" * 43, "A" * 42, "\ud800" * 43, "A" * 100_000])
def test_what_is_no_token_is_nobodys(tmp_path: Path, wrong: str | None) -> None:
    pairing = made(tmp_path)
    token(pairing)
    assert pairing.knows(wrong) == ""


def test_a_token_that_differs_at_its_end_is_nobodys(tmp_path: Path) -> None:
    pairing = made(tmp_path)
    secret = token(pairing)
    assert pairing.knows(secret[:-2] + ("AA" if secret[-2:] != "AA" else "BB")) == ""
    assert pairing.knows(hashlib.sha256(secret.encode()).hexdigest()) == ""


def test_the_hash_on_the_disk_is_no_token(tmp_path: Path) -> None:
    pairing = made(tmp_path)
    token(pairing)
    assert pairing.knows(json.loads((tmp_path / FILE).read_text())["phones"][0]["hash"][:43]) == ""


def test_phones_are_bounded_and_the_next_is_told_what_to_do(tmp_path: Path) -> None:
    pairing = made(tmp_path)
    first = token(pairing)
    for _ in range(MOST_PHONES - 1):
        last = token(pairing)
    code = pairing.new_code()
    assert pairing.pair(code) is NotPaired.FULL
    found = pairing.pair(code, pairing.knows(first))
    assert isinstance(found, Paired), "a phone that is paired already takes its own place"
    assert (pairing.knows(first), bool(pairing.knows(last)), bool(pairing.knows(found.token))) == ("", True, True)


@pytest.mark.parametrize(
    "torn",
    [
        b"",
        b"\0" * 300,
        b'{"version":1,"phones":[{"hash":"ab',
        b'{"version":2,"phones":[],"code":null}',
        b'{"version":1,"phones":"all"}',
        b'{"version":1,"phones":[],"code":{"salt":"zz","hash":"","made":0.0,"tries":0}}',
        b"[" * 5000,
        b"\xff\xfe",
        b" " * 200_000,
    ],
)
def test_a_file_that_cannot_be_read_pairs_nobody_says_so_once_and_is_kept_aside(tmp_path: Path, torn: bytes) -> None:
    secret = token(made(tmp_path))
    (tmp_path / FILE).write_bytes(torn)
    said: list[str] = []
    pairing = Pairing(tmp_path, Clock(), said.append)
    assert [pairing.knows(secret) for _ in range(3)] == [""] * 3
    assert pairing.count == 0
    assert len(said) == 1
    assert "no phone is paired" in said[0]
    assert "gatehand page --pair" in said[0]
    again = token(pairing)
    assert pairing.knows(again)
    assert (tmp_path / f"{FILE}.unreadable-1").read_bytes() == torn
    (tmp_path / FILE).write_bytes(torn)
    assert made(tmp_path).forget_all() == 0
    assert (tmp_path / f"{FILE}.unreadable-2").read_bytes() == torn


def test_what_was_being_written_when_the_power_went_is_not_believed(tmp_path: Path) -> None:
    page = made(tmp_path)
    secret = token(page)
    (tmp_path / f"{FILE}.part").write_bytes((tmp_path / FILE).read_bytes())
    page.forget_all()
    (tmp_path / f"{FILE}.part").write_bytes(b'{"version":1,"phones":[{"ha')
    assert made(tmp_path).knows(secret) == ""
    assert token(made(tmp_path))


class Failing(Disk):
    """A disk on which an operation fails."""

    def __init__(self, fails: str) -> None:
        self.fails = fails

    def write_file(self, path: Path, data: bytes, mode: int) -> None:
        if self.fails == "write":
            raise OSError(28, "No space left on device")
        super().write_file(path, data, mode)

    def rename(self, old: Path, new: Path) -> None:
        if self.fails == "rename":
            raise OSError(5, "Input/output error")
        super().rename(old, new)


@pytest.mark.parametrize("fails", ["write", "rename"])
def test_a_full_disk_pairs_nobody_and_tells_no_guess_from_the_code(tmp_path: Path, fails: str) -> None:
    code = made(tmp_path).new_code()
    before = (tmp_path / FILE).read_bytes()
    said = []
    for typed in (code, "WRNG-CDEX"):
        with pytest.raises(PairingError) as error:
            made(tmp_path, disk=Failing(fails)).pair(typed)
        said.append(str(error.value))
    assert said[0] == said[1]
    assert "nothing has changed" in said[0]
    assert (tmp_path / FILE).read_bytes() == before


class Unread(Disk):
    """A disk that cannot be read, until it can."""

    def __init__(self, number: int | None) -> None:
        self.number = number

    def read(self, path: Path, most: int = -1) -> bytes:
        if self.number is not None:
            raise OSError(self.number, os.strerror(self.number))
        return super().read(path, most)


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EIO, errno.EACCES])
def test_what_cannot_be_read_for_a_moment_is_read_again_and_its_phones_are_not_lost(
    tmp_path: Path, number: int
) -> None:
    secret = token(made(tmp_path))
    before = (tmp_path / FILE).read_bytes()
    disk, said = Unread(number), list[str]()
    pairing = Pairing(tmp_path, Clock(), said.append, disk)
    assert [pairing.knows(secret), pairing.knows(secret)] == ["", ""]
    assert len(said) == 1
    if number != errno.EACCES:  # that one does not pass by itself: the file gives way to a new one, and is kept
        for change in (pairing.new_code, pairing.forget_all, lambda: pairing.pair("ABCD-EFGH")):
            with pytest.raises(PairingError):
                change()
        assert (tmp_path / FILE).read_bytes() == before
    disk.number = None
    assert pairing.knows(secret)
    disk.number = number
    if number == errno.EACCES:
        pairing.new_code()
        assert (tmp_path / f"{FILE}.unreadable-1").read_bytes() == before


def test_a_process_that_is_frozen_in_the_middle_of_a_change_keeps_nobody_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pairing = made(tmp_path)
    pairing.new_code()
    monkeypatch.setattr(folder_locks, "_TRIES", 2)
    with (tmp_path / LOCK).open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(PairingError, match="another process has kept"):
            pairing.pair("ABCD-EFGH")
    assert pairing.pair("ABCD-EFGH") is NotPaired.WRONG


def test_changes_at_once_by_several_lose_nothing(tmp_path: Path) -> None:
    phones = [token(made(tmp_path)) for _ in range(6)]
    hashes = [made(tmp_path).knows(phone) for phone in phones]

    def forgets(which: str) -> None:
        made(tmp_path).forget(which)

    threads = [threading.Thread(target=forgets, args=(each,)) for each in hashes[:5]]
    threads.append(threading.Thread(target=lambda: made(tmp_path).new_code()))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    left = made(tmp_path)
    assert [bool(left.knows(phone)) for phone in phones] == [False] * 5 + [True]
    assert json.loads((tmp_path / FILE).read_text())["code"] is not None


@pytest.mark.parametrize("user", [0, 1000])
def test_what_root_writes_in_a_services_folder_is_the_services(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, user: int
) -> None:
    given: set[str] = set()

    def chown(path: Path, owner: int, group: int, *, follow_symlinks: bool) -> None:
        assert (owner, group, follow_symlinks) == (tmp_path.stat().st_uid, tmp_path.stat().st_gid, False)
        given.add(path.name)

    monkeypatch.setattr(os, "geteuid", lambda: user)
    monkeypatch.setattr(os, "chown", chown)
    made(tmp_path).new_code()
    handle = serve_from(tmp_path)
    assert handle is not None
    os.close(handle)
    assert given == ({f"{FILE}.part", LOCK, SERVED} if user == 0 else set())


def test_a_link_in_the_place_of_a_lock_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("whole")
    folder = tmp_path / "state"
    folder.mkdir()
    for name in (LOCK, SERVED, f"{FILE}.part"):
        (folder / name).symlink_to(victim)
    with pytest.raises(PairingError):
        made(folder).new_code()
    assert serve_from(folder) is None
    (folder / LOCK).unlink()
    made(folder).new_code()
    assert victim.read_text() == "whole"


def test_a_folder_is_served_while_a_page_runs_with_it(tmp_path: Path) -> None:
    assert not is_served(tmp_path)
    first, second = serve_from(tmp_path), serve_from(tmp_path)
    assert first is not None
    assert second is not None
    assert is_served(tmp_path)
    os.close(first)
    assert is_served(tmp_path)
    os.close(second)
    assert not is_served(tmp_path)


# By the browser


async def test_a_phone_types_the_code_and_is_known_from_then_on(tmp_path: Path) -> None:
    door = Door(tmp_path, allow=("hold",))
    browser = door.browser()
    assert (await browser.get("/me")).json == {"paired": False, "allow": [], "log": False}
    refused = await browser.post("/pair", {"code": "ABCD-EFGH"})
    assert (refused.status, refused.json) == (403, {"ok": False, "text": NotPaired.NO_CODE})
    answer = await browser.post("/pair", {"code": door.pairing.new_code()})
    assert (answer.status, answer.json) == (200, {"ok": True})
    cookie = answer.header("set-cookie")
    assert cookie.startswith("gatehand=")
    for attribute in ("HttpOnly", "SameSite=strict", "Path=/", f"Max-Age={400 * 86_400}"):
        assert attribute in cookie
    assert "Secure" not in cookie
    assert "Domain" not in cookie
    assert (await browser.get("/me")).json == {"paired": True, "allow": ["hold"], "log": False}
    assert any("a phone was paired; 1 phone is paired now" in line for line in door.said)
    assert browser.cookies["gatehand"] not in "".join(door.said)
    again = Door(tmp_path, allow=("hold", "reset"))
    browser.app = again.app
    assert (await browser.get("/me")).json["allow"] == ["hold", "reset"], "a restart and an edit keep it"


async def test_over_https_the_cookie_is_of_this_host_alone_and_no_other_counts(tmp_path: Path) -> None:
    door = Door(tmp_path)
    browser = door.browser(scheme="https", host="shop.local:8443", address="192.168.1.9")
    answer = await browser.post("/pair", {"code": door.pairing.new_code()})
    cookie = answer.header("set-cookie")
    assert cookie.startswith("__Host-gatehand=")
    assert "Secure" in cookie
    browser.cookies = {"gatehand": browser.cookies["__Host-gatehand"]}
    assert (await browser.get("/me")).json["paired"] is False, "an unencrypted page could have set that one"


async def test_a_phone_that_is_unpaired_is_forgotten_and_no_other(tmp_path: Path) -> None:
    door = Door(tmp_path)
    mine, other = await door.paired(), await door.paired()
    token = mine.cookies["gatehand"]
    answer = await mine.post("/unpair", {})
    assert (answer.status, answer.json, mine.cookies) == (200, {"ok": True}, {})
    mine.cookies = {"gatehand": token}
    assert (await mine.get("/me")).json["paired"] is False, "the cookie is worth nothing, wherever it was copied to"
    assert (await other.get("/me")).json["paired"] is True
    bare = await other.send("POST", "/unpair", headers={"origin": "http://127.0.0.1:8080"})
    assert (bare.status, door.pairing.count) == (200, 0)
    assert (await door.browser().post("/unpair", {})).status == 200, "who is not paired loses nothing"


async def test_ten_codes_a_minute_are_tried_in_all_whoever_types(tmp_path: Path) -> None:
    door = Door(tmp_path)
    for number in range(10):
        browser = door.browser(scheme="https", host="192.168.1.5", address=f"192.168.1.{number + 10}")
        assert (await browser.post("/pair", {"code": "ABCD-EFGH"})).status == 403
    code = door.pairing.new_code()
    refused = await door.browser().post("/pair", {"code": code})
    assert (refused.status, refused.header("retry-after")) == (429, "60")
    assert door.pairing.count == 0
    door.mono.now += 60
    assert (await door.browser().post("/pair", {"code": code})).status == 200


@pytest.mark.parametrize("code", [None, 12, [], {}, "", "   ", True])
async def test_what_is_no_code_is_refused(tmp_path: Path, code: object) -> None:
    door = Door(tmp_path)
    door.pairing.new_code()
    assert (await door.browser().post("/pair", {"code": code})).status == 400
    assert (await door.browser().post("/pair", {"code": "x", "token": "y"})).status == 400


async def test_a_disk_that_does_not_keep_it_is_told_without_names_of_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    door = Door(tmp_path)
    code = door.pairing.new_code()

    def full(_path: Path, _data: bytes, _mode: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Disk, "write_file", lambda _self, path, data, mode: full(path, data, mode))
    answer = await door.browser().post("/pair", {"code": code})
    assert (answer.status, "No space left on device" in answer.text) == (503, True)
    assert str(tmp_path) not in answer.text
    assert not answer.header("set-cookie")
