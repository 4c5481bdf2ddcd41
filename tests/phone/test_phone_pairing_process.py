"""`gatehand page` and `gatehand page --pair` as two processes: codes, restarts, a killed page, what a journal gets."""

from pathlib import Path

import pytest
from door_process import CODE, Page
from support.child import wait_until

from gatehand.phone.pairing import FILE


def test_a_code_of_another_process_pairs_and_a_killed_page_still_knows_the_phone(tmp_path: Path) -> None:
    page = Page(tmp_path, 'allow = ["hold", "reset"]')
    with page:
        phone = page.phone()
        assert phone.call("GET", "/me") == (200, {"paired": False, "allow": [], "log": False})
        assert phone.call("POST", "/pair", {"code": "ABCD-EFGH"})[0] == 403
        said = page.does("--pair")
        assert f"Open the page on the phone (on this computer it is at http://127.0.0.1:{page.port}/)" in said
        assert "press Pair this phone and type this code" in said
        assert "valid for 10 minutes" in said
        assert "may then ask for a hold and a reset" in said
        assert "no page is running" not in said
        code = CODE.findall(said)[0]
        assert phone.call("POST", "/pair", {"code": code}) == (200, {"ok": True})
        assert phone.call("GET", "/me")[1] == {"paired": True, "allow": ["hold", "reset"], "log": False}
        assert phone.cookie.startswith("gatehand=")
    page.config.write_text(page.config.read_text().replace('["hold", "reset"]', '["hold"]'))
    with page:
        assert phone.call("GET", "/me")[1]["allow"] == ["hold"], "a restart and an edit keep the phone"
        assert "1 phone forgotten" in page.does("--forget")
        assert not phone.is_paired
    assert "a phone was paired; 1 phone is paired now" in page.errors
    assert phone.cookie.partition("=")[2] not in page.errors + page.said
    assert code not in page.errors + page.said
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o600


def test_a_code_for_no_page_says_so(tmp_path: Path) -> None:
    page = Page(tmp_path, "")
    said = page.does("--pair")
    assert f"no page is running with the folder {tmp_path}" in said
    assert "--state" in said
    assert "A paired phone may not ask for anything yet: [page] allow" in said
    assert f"No phone was paired in {tmp_path}. A code that was still open is void." in page.does("--forget")


def test_by_hand_in_a_terminal_the_page_prints_a_code_until_a_phone_is_paired(tmp_path: Path) -> None:
    page = Page(tmp_path, terminal=True)
    with page:
        code = wait_until(lambda: CODE.findall(page.said))
        phone = page.phone()
        assert phone.call("POST", "/pair", {"code": code[0].lower()})[0] == 200
    with page:
        assert phone.is_paired
    assert CODE.search(page.said) is None


@pytest.mark.parametrize(("allow", "terminal"), [('allow = ["hold"]', False), ("", True)])
def test_no_code_goes_into_a_journal_nor_where_nothing_is_allowed(tmp_path: Path, allow: str, terminal: bool) -> None:
    page = Page(tmp_path, allow, terminal=terminal)
    with page:
        assert not page.phone().is_paired  # it serves, so it has said all that it says
    assert CODE.search(page.said + page.errors) is None
    assert not (tmp_path / FILE).exists()


def test_a_damaged_file_is_told_at_the_start_and_pairs_nobody(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"\0" * 200)
    page = Page(tmp_path)
    with page:
        phone = page.phone()
        assert not phone.is_paired
        assert f"{tmp_path / FILE} cannot be read (it is empty), so no phone is paired" in page.errors
        assert phone.call("POST", "/pair", {"code": page.new_code()})[0] == 200
        assert phone.is_paired
    assert (tmp_path / f"{FILE}.unreadable-1").read_bytes() == b"\0" * 200


def test_the_service_managers_folder_is_the_pages_own(tmp_path: Path) -> None:
    page = Page(tmp_path, env=f"STATE_DIRECTORY={tmp_path / 'state'}")
    with page:
        assert page.phone().call("POST", "/pair", {"code": page.new_code()})[0] == 200
    assert (tmp_path / "state" / FILE).exists()
    assert not (tmp_path / FILE).exists()
