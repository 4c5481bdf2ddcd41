"""`gatehand boards`: what it writes, keeps, refuses and tells."""

import stat
from pathlib import Path
from typing import Any

import pytest
from boards_desk import AT, LOGINS, Desk, with_logins
from our_boards import WIFI


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


def states(facts: dict[str, Any]) -> dict[str, str]:
    return {one["name"]: one["state"] for one in facts["boards"]}


def test_each_device_gets_a_folder_that_only_its_owner_reads(desk: Desk) -> None:
    said = desk.run(*AT)
    assert sorted(each.name for each in desk.out.iterdir()) == LOGINS
    for login in LOGINS:
        assert stat.S_IMODE(desk.file(login).stat().st_mode) == 0o600
        assert stat.S_IMODE(desk.file(login).parent.stat().st_mode) == 0o700
        assert desk.settings(login)["broker"]["host"] == "192.168.1.10"
    assert "gate-band_saw: wifi.ssid, hardware.servo, hardware.button" in said
    assert "board.py link.py settings.py mqtt.py inputs.py gate.py main.py: gate-band_saw" in said
    assert '[gate.band_saw]: online = { topic = "shop/gate/band_saw/online", active = "1", clear = "0" }' in said
    assert "not a safety device" in said.splitlines()[0]
    assert "licensed electrician" in said.splitlines()[0]


def test_what_others_could_read_is_closed_to_them_again(desk: Desk) -> None:
    with_logins(desk)
    open_to_all = [desk.file("gate-band_saw"), desk.out / "passwords"]
    for path in open_to_all:
        path.chmod(0o644)
    desk.file("gate-band_saw").parent.chmod(0o755)
    desk.run()
    assert [stat.S_IMODE(path.stat().st_mode) for path in open_to_all] == [0o600, 0o600]
    assert stat.S_IMODE(desk.file("gate-band_saw").parent.stat().st_mode) == 0o700


def test_a_second_run_writes_nothing_and_keeps_the_address(desk: Desk) -> None:
    desk.run(*AT)
    before = {login: desk.file(login).stat().st_ino for login in LOGINS}
    facts = desk.facts()
    assert states(facts) == dict.fromkeys(sorted(LOGINS), "fits")
    assert facts["broker"] == "192.168.1.10"
    assert {login: desk.file(login).stat().st_ino for login in LOGINS} == before


def test_what_its_owner_filled_in_is_kept_and_what_changed_is_told(desk: Desk) -> None:
    desk.run(*AT)

    def fill(table: dict[str, Any]) -> None:
        table["wifi"] = WIFI
        table["hardware"] |= {"relay": 5, "timer": 2, "mine": "a note"}
        table["note"] = "by the door"

    desk.edit("collector-main", fill)
    desk.change("refresh = 20", "refresh = 30")
    desk.change('on = "1", off = "0" }\nstate', 'on = "on", off = "off" }\nstate')
    said = desk.run()
    assert "  limit_ms 50000 -> 75000\n" in said
    assert '  set.on "1" -> "on"\n' in said
    assert "is written again; copy it to the board again" in said
    found = desk.settings("collector-main")
    assert found["limit_ms"] == 75_000
    assert found["wifi"] == WIFI
    assert found["note"] == "by the door"
    assert {key: found["hardware"][key] for key in ("relay", "timer", "mine")} == {
        "relay": 5,
        "timer": 2,
        "mine": "a note",
    }
    assert desk.settings("gate-band_saw")["wifi"] == WIFI, "one Wi-Fi is typed once"
    assert WIFI["password"] not in said


def test_a_key_that_the_config_no_longer_has_goes_and_one_that_it_has_anew_comes(desk: Desk) -> None:
    desk.run(*AT)
    desk.change('button = { topic = "shop/gate/band_saw/button", pressed = "1" }\n', "")
    desk.change("refresh = 20", 'refresh = 20\ncurrent = { topic = "shop/collector/amps" }')
    said = desk.run()
    assert "  button removed\n" in said
    assert "  amps added\n" in said
    assert "button" not in desk.settings("gate-band_saw")
    assert desk.settings("collector-main")["hardware"]["clamp"]["amps_per_volt"] is None


def test_a_renamed_gate_gets_a_new_folder_and_the_old_one_is_left_and_told(desk: Desk) -> None:
    desk.run(*AT)
    old = desk.file("gate-band_saw").read_bytes()
    desk.change("[gate.band_saw]", "[gate.saw]")
    desk.change('gates = ["band_saw"]', 'gates = ["saw"]')
    said = desk.run()
    assert "No longer in the config: gate-band_saw." in said
    assert "copy hardware from its old settings.json" in said
    assert desk.file("gate-band_saw").read_bytes() == old
    assert desk.file("gate-saw").exists()
    assert desk.facts("--only", "gate-saw")["left"] == ["gate-band_saw"]


def test_a_tool_with_another_kind_of_board_keeps_its_old_file_beside_the_new_one(desk: Desk) -> None:
    desk.run(*AT)
    desk.edit("tool-band_saw", lambda table: table["hardware"].update(adc=26, led=2))
    before = desk.file("tool-band_saw").read_bytes()
    desk.change('current = { topic = "shop/band_saw/amps", pointer = "/amps", at = "/at" }\nstart_amps = 2.5', "RUNS")
    desk.change("RUNS", 'running = { topic = "shop/band_saw/runs", active = "1", clear = "0" }')
    said = desk.run()
    assert 'role "sensor" -> "contact"' in said
    assert desk.file("tool-band_saw").with_name("settings.sensor.json").read_bytes() == before
    assert desk.settings("tool-band_saw")["hardware"] == {"watchdog_ms": 8000, "led": 2, "pins": {"band_saw": None}}


UNREADABLE = [b"{", b"[]", b"\xff\xfe", b"[" * 100_000, b"3"]


@pytest.mark.parametrize("content", UNREADABLE)
def test_a_file_that_cannot_be_read_is_left_and_told_and_the_others_are_written(desk: Desk, content: bytes) -> None:
    path = desk.file("gate-band_saw")
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    said = desk.run(*AT, code=1)
    assert f"gate-band_saw: {path} is not " in said
    assert "It is left as it is" in said
    assert path.read_bytes() == content
    assert desk.file("collector-main").exists()
    assert states(desk.facts(code=1))["gate-band_saw"] == "unreadable"


@pytest.mark.parametrize("odd", ["wifi", "broker", "hardware"])
def test_an_owners_part_that_is_no_table_is_made_one(desk: Desk, odd: str) -> None:
    desk.run(*AT)
    desk.edit("gate-band_saw", lambda table: table.update({odd: "odd"}))
    desk.run(*AT)
    assert isinstance(desk.settings("gate-band_saw")[odd], dict)


def test_refresh_0_is_refused_for_the_switch_alone_with_its_line(desk: Desk) -> None:
    desk.change("refresh = 20", "refresh = 0")
    said = desk.run(*AT, code=1)
    assert f"{desk.config}:9:11: collector.main.refresh: the command is never repeated" in said
    assert "write refresh = 20" in said
    assert not desk.file("collector-main").exists()
    assert desk.file("gate-band_saw").exists()
    assert desk.facts("--only", "gate-band_saw")["ok"], "what is refused is the switch's alone"


def test_a_switch_that_is_refused_later_keeps_its_file_as_it_was(desk: Desk) -> None:
    desk.run(*AT)
    before = desk.file("collector-main").read_bytes()
    desk.change("refresh = 20", "refresh = 0")
    facts = desk.facts(code=1)
    assert desk.file("collector-main").read_bytes() == before
    assert facts["left"] == []
    assert desk.facts("--check", code=1)["refused"]


def test_a_tool_that_is_heard_by_its_watts_is_left_out_and_says_what_to_change(desk: Desk) -> None:
    desk.change('current = { topic = "shop/band_saw/amps", pointer = "/amps", at = "/at" }\nstart_amps = 2.5', "WATTS")
    desk.change("WATTS", 'power = { topic = "shop/band_saw/watts" }\nstart_watts = 200')
    said = desk.run(*AT)
    assert "tool.band_saw.power: the sensor board's clamp measures amps" in said
    assert desk.facts("--only", "gate-band_saw")["left_out"] == []
    assert len(desk.facts("--only", "band_saw")["left_out"]) == 1
    assert not desk.file("tool-band_saw").exists()


def test_a_servo_that_is_slower_than_the_config_allows_is_told(desk: Desk) -> None:
    desk.change("[tool.band_saw]", "travel = 0.9\n\n[tool.band_saw]")
    said = desk.run(*AT)
    assert "gate-band_saw: its servo takes 1030 ms (90 degrees at 120 a second, then settle_ms); the config's" in said
    desk.run(*AT)
    desk.edit("gate-band_saw", lambda table: table["hardware"].update(degrees_per_s=300))
    assert desk.facts(*AT)["boards"][1]["too_slow"] is None


@pytest.mark.parametrize("host", ["shop.local", "127.0.0.1", "10.0.0", "224.0.0.1"])
def test_an_address_that_no_board_can_use_is_refused_and_says_how_to_find_one(desk: Desk, host: str) -> None:
    desk.change('"127.0.0.1"', f'"{host}"')
    assert desk.run(code=1) == ""
    assert f"the config's host is '{host}'" in desk.err
    assert "hostname -I" in desk.err
    desk.run("--broker", host, code=2)
    assert "hostname -I" in desk.err
    assert not desk.out.exists()


def test_the_configs_own_address_is_taken_where_boards_can_reach_it(desk: Desk) -> None:
    desk.change('"127.0.0.1"', '"10.1.2.3"')
    assert desk.facts()["broker"] == "10.1.2.3"
    said = desk.run("--broker", "10.1.2.4")
    assert '  broker.host "10.1.2.3" -> "10.1.2.4"\n' in said


def test_boards_that_have_different_addresses_are_not_guessed_between(desk: Desk) -> None:
    desk.run(*AT)
    desk.run("--only", "gate-band_saw", "--broker", "192.168.1.11")
    desk.run(code=1)
    assert "have 192.168.1.10:1883 and 192.168.1.11:1883." in desk.err


def listener(desk: Desk, login: str = "gate-band_saw") -> tuple[object, ...]:
    broker = desk.settings(login)["broker"]
    return broker["host"], broker["port"], broker["tls"]


def test_boards_may_have_a_listener_of_their_own_that_is_kept(desk: Desk) -> None:
    desk.run("--broker", "192.168.1.10:1884")
    assert listener(desk) == ("192.168.1.10", 1884, None)
    desk.run()
    desk.run(*AT)
    assert listener(desk) == ("192.168.1.10", 1884, None)
    certificate = str(desk.certificate())
    said = desk.run("--ca-file", certificate)
    tls = {"ca_file": "ca.pem", "server_name": None, "time_server": None}
    assert listener(desk) == ("192.168.1.10", 8883, tls)
    assert f"Copy {certificate} to each board too, as ca.pem" in said
    assert "secure.py" in said
    assert "broker.tls.server_name" in said
    own = {"server_name": "shop.home.arpa", "time_server": "192.168.1.1"}
    desk.edit("gate-band_saw", lambda table: table["broker"]["tls"].update(own))
    assert "Copy the certificate that signed the broker's" in desk.run()
    assert listener(desk) == ("192.168.1.10", 8883, {**tls, **own})
    desk.run("--broker", "192.168.1.12:1883")
    assert listener(desk) == ("192.168.1.12", 1883, None)
    for host in ("192.168.1.12", "192.168.1.13"):
        desk.run("--broker", host, "--ca-file", certificate)
        assert listener(desk) == (host, 8883, tls)


def test_a_certificate_that_is_not_there_is_noticed_before_anything_is_written(desk: Desk) -> None:
    desk.run(*AT, "--ca-file", "no/such.crt", code=2)
    assert "--ca-file: no/such.crt: there is no such file" in desk.err
    assert not desk.out.exists()


@pytest.mark.parametrize("again", [[], AT])
def test_boards_leave_their_plain_listener_where_the_config_takes_up_encryption(desk: Desk, again: list[str]) -> None:
    desk.run(*AT)
    desk.certificate()
    desk.change("[broker]\n", '[broker]\nport = 8883\ntls = { ca_file = "ca.crt" }\n')
    assert "  broker.port 1883 -> 8883\n  broker.tls added\n" in desk.run(*again)
    assert listener(desk)[1] == 8883


def test_a_mixture_of_listeners_says_which_are_encrypted(desk: Desk) -> None:
    desk.run(*AT)
    desk.run(*AT, "--only", "gate-band_saw", "--ca-file", str(desk.certificate()))
    desk.run(code=1)
    assert "have 192.168.1.10:1883 and 192.168.1.10:8883 (encrypted)." in desk.err


def test_only_takes_a_boards_name_or_its_devices_and_says_which_there_are(desk: Desk) -> None:
    assert [*states(desk.facts(*AT, "--only", "tool-band_saw"))] == ["tool-band_saw"]
    assert [*states(desk.facts(*AT, "--only", "band_saw", "bin_full-main"))] == [
        "gate-band_saw",
        "tool-band_saw",
        "bin_full-main",
    ]
    desk.run(*AT, "--only", "gate-bandsaw", code=2)
    assert "there is no board 'gate-bandsaw'; did you mean gate-band_saw?" in desk.err


def test_check_writes_nothing_and_says_what_no_longer_fits(desk: Desk) -> None:
    assert states(desk.facts("--check", *AT, code=1)) == dict.fromkeys(
        ["collector-main", "gate-band_saw", "tool-band_saw", "bin_full-main"], "missing"
    )
    assert not desk.out.exists()
    desk.run(*AT)
    assert "Every settings file fits the config." in desk.run("--check")
    desk.edit("gate-band_saw", lambda table: table["hardware"].update(servo=15))
    desk.run("--check")
    desk.change("refresh = 20", "refresh = 30")
    before = desk.all_files()
    said = desk.run("--check", code=1)
    assert "limit_ms 50000 -> 75000" in said
    assert "1 of 4 settings files does not fit the config." in said
    assert desk.all_files() == before


def test_a_config_with_errors_writes_nothing(desk: Desk) -> None:
    desk.change("refresh = 20", "refesh = 20")
    desk.run(*AT, code=1)
    assert "refesh" in desk.err
    assert not desk.out.exists()


def test_a_folder_that_cannot_be_written_ends_it_with_what_to_do(desk: Desk) -> None:
    desk.out.write_text("a file")
    desk.run(*AT, code=2)
    assert "is a file; wanted a folder" in desk.err
    desk.out.unlink()
    desk.out.mkdir()
    (desk.out / "gate-band_saw").write_text("in the way")
    said = desk.run(*AT, code=1)
    assert "gate-band_saw/settings.json cannot be written (File exists): fix that and run this again" in said
    assert (desk.out / "gate-band_saw").read_text() == "in the way"
    assert states(desk.facts(code=1))["gate-band_saw"] == "unwritable"


def test_one_file_that_cannot_be_written_keeps_nobody_from_hearing_what_has_changed_in_the_others(desk: Desk) -> None:
    desk.run(*AT)
    desk.file("bin_full-main").unlink()
    desk.file("bin_full-main").parent.rmdir()
    desk.file("bin_full-main").parent.write_text("in the way")
    desk.change("refresh = 20", "refresh = 30")
    assert "  limit_ms 50000 -> 75000\n" in desk.run(code=1)
    assert "cannot be written" in desk.run(code=1)


def test_a_list_of_passwords_that_cannot_be_written_ends_in_an_error_after_all_that_was_done(desk: Desk) -> None:
    (desk.out / "passwords").mkdir(parents=True)
    desk.run(*AT, code=0)
    desk.change("[broker]\n", '[broker]\nusername = "daemon"\npassword_file = "secret"\n')
    (desk.config.parent / "secret").write_text("x\n")
    said = desk.run(code=1)
    assert "  broker.password added\n" in said
    assert "passwords: cannot be written (" in said
    assert "cannot be written" in desk.facts(code=1)["trouble"]


def test_something_else_under_a_files_name_is_told_by_what_it_is(desk: Desk) -> None:
    desk.run(*AT)
    for login in ("gate-band_saw", "tool-band_saw"):
        desk.file(login).unlink()
    desk.file("gate-band_saw").mkdir()
    desk.file("tool-band_saw").symlink_to("nowhere")
    said = desk.run(code=1)
    assert "gate-band_saw/settings.json is a folder: move it away and run this again" in said
    assert "tool-band_saw/settings.json is a link that leads nowhere: remove it and run this again" in said


def test_a_folder_of_somebody_elses_is_said_to_be_that(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.run(*AT)

    def shut(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as other:
        other.setattr(Path, "iterdir", shut)
        desk.run(code=1)
    assert "boards: cannot be read (Permission denied): run this as its owner, or name another folder" in desk.err


def test_a_look_says_what_is_still_to_be_filled_in(desk: Desk) -> None:
    desk.run(*AT)
    said = desk.run("--check")
    assert "gate-band_saw: wifi.ssid, hardware.servo, hardware.button" in said
    assert said.splitlines()[-1] == "Every settings file fits the config."
    assert "copy main.py last" not in said


def test_each_board_gets_a_login_of_its_own_whose_password_is_kept_and_never_printed(desk: Desk) -> None:
    desk.run(*AT)
    said = with_logins(desk)
    assert "  broker.password added\n" in said
    passwords = {login: desk.settings(login)["broker"]["password"] for login in LOGINS}
    assert len(set(passwords.values())) == len(LOGINS)
    assert all(len(one) >= 20 for one in passwords.values())
    assert (desk.out / "passwords").read_text() == "".join(f"{name}:{passwords[name]}\n" for name in LOGINS)
    assert stat.S_IMODE((desk.out / "passwords").stat().st_mode) == 0o600
    again = desk.run() + desk.run("--json")
    assert {login: desk.settings(login)["broker"]["password"] for login in LOGINS} == passwords
    assert not any(one in said + again for one in passwords.values())


def test_a_login_that_its_owner_has_typed_in_is_kept_where_the_config_has_none(desk: Desk) -> None:
    desk.run(*AT)
    desk.edit("gate-band_saw", lambda table: table["broker"].update(username="g", password="own"))
    assert states(desk.facts())["gate-band_saw"] == "fits"
    assert (desk.out / "passwords").read_text() == "g:own\n"


@pytest.mark.parametrize("login", LOGINS)
def test_the_daemon_cannot_have_a_boards_login(desk: Desk, login: str) -> None:
    desk.change("[broker]\n", f'[broker]\nusername = "{login}"\npassword_file = "secret"\n')
    desk.run(*AT, code=1)
    assert "wanted one that only the daemon has" in desk.err


def test_encryption_asks_for_the_certificate_on_each_board(desk: Desk) -> None:
    (desk.config.parent / "shop.crt").write_text("x")
    desk.change("[broker]\n", '[broker]\nport = 8883\ntls = { ca_file = "shop.crt" }\n')
    said = desk.run(*AT)
    assert f"Copy {desk.config.parent / 'shop.crt'} to each board too, as ca.pem" in said
    assert desk.settings("gate-band_saw")["broker"]["tls"]["ca_file"] == "ca.pem"
