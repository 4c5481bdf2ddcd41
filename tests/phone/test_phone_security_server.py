"""The page's server on a socket: certificates, addresses that a config may not open, and requests no browser sends."""

import socket
import ssl
import subprocess
from pathlib import Path

import pytest
from door_process import Page
from support.certificates import make_authority, make_broker_certificate
from support.child import gatehand_does

from gatehand.cli import main
from gatehand.commands.run import BAD_CONFIG

TLS = 'allow = ["hold"]\ntls = { cert_file = "broker.crt", key_file = "broker.key" }'


@pytest.fixture
def certified(tmp_path: Path) -> ssl.SSLContext:
    """A certificate and its key in the folder, and what trusts it."""
    authority = make_authority(tmp_path, "authority")
    make_broker_certificate(tmp_path, "authority")
    (tmp_path / "broker.key").chmod(0o600)
    return ssl.create_default_context(cafile=authority)


def ends(page: Page, *words: str) -> tuple[int, str]:
    found = gatehand_does("page", "--config", str(page.config), *words)
    assert "Ctrl-C" not in found.stdout
    return found.returncode, found.stderr


def test_over_https_a_phone_is_paired_with_a_secure_cookie(tmp_path: Path, certified: ssl.SSLContext) -> None:
    with Page(tmp_path, TLS) as page:
        phone = page.phone(certified)
        assert f"https://127.0.0.1:{page.port}/" in page.said
        assert phone.call("POST", "/pair", {"code": page.new_code()}) == (200, {"ok": True})
        assert phone.cookie.startswith("__Host-gatehand=")
        assert "Secure" in phone.set_cookie
        assert phone.is_paired
        assert "everybody" not in page.errors


def test_a_key_that_everybody_can_read_is_warned_of(tmp_path: Path, certified: ssl.SSLContext) -> None:
    (tmp_path / "broker.key").chmod(0o644)
    with Page(tmp_path, TLS) as page:
        assert not page.phone(certified).is_paired
        assert "everybody on this computer can read the page's private key" in page.errors
        assert f"chmod o= {tmp_path / 'broker.key'}" in page.errors


def _missing(folder: Path) -> str:
    (folder / "broker.key").unlink()
    return "broker.key cannot be read (No such file or directory): wanted the page's private key"


def _folder(folder: Path) -> str:
    (folder / "broker.crt").unlink()
    (folder / "broker.crt").mkdir()
    return "broker.crt cannot be read (Is a directory): wanted the page's certificate"


def _no_pem(folder: Path) -> str:
    (folder / "broker.crt").write_text("nothing")
    return "wanted a certificate (then those that signed it) and its key, each in PEM"


def _of_another(folder: Path) -> str:
    (folder / "broker.key").write_bytes((folder / "authority.key").read_bytes())
    return "broker.key is not the key of "


def _encrypted(folder: Path) -> str:
    words = ["openssl", "ec", "-in", "broker.key", "-aes256", "-passout", "pass:abcd", "-out", "locked.key"]
    subprocess.run(words, cwd=folder, check=True, capture_output=True)  # noqa: S603
    (folder / "locked.key").rename(folder / "broker.key")
    return "broker.key is encrypted, and nobody is there to type its password"


@pytest.mark.parametrize("spoil", [_missing, _folder, _no_pem, _of_another, _encrypted])
def test_a_certificate_that_cannot_be_used_is_told_and_not_tried_again(
    tmp_path: Path, certified: ssl.SSLContext, spoil: object
) -> None:
    assert certified
    expected = spoil(tmp_path)  # type: ignore[operator]
    code, said = ends(Page(tmp_path, TLS))
    assert code == BAD_CONFIG
    assert "gatehand page: [page] tls: " in said
    assert expected in said
    assert "Traceback" not in said


def test_what_is_allowed_is_not_shown_unencrypted_to_the_network(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = Page(tmp_path)
    code, said = ends(page, "--listen", "0.0.0.0:8080")
    assert (code, "is not encrypted: wanted tls beside it" in said) == (2, True)
    for word in ("8080", "localhost:8080", "127.0.0.1:0", "127.0.0.1:99999", "[::1:8080", ""):
        code = main(["page", "--config", str(page.config), "--listen", word])
        assert (code, "--listen: found" in capsys.readouterr().err) == (2, True), word
    page.config.write_text(page.config.read_text().replace("127.0.0.1:", "0.0.0.0:"))
    code, said = ends(page)
    assert code == BAD_CONFIG
    assert "is not encrypted" in said


def raw(port: int, *lines: bytes, body: bytes = b"", wait: bool = False) -> bytes:
    """What comes back to bytes that no browser sends."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as link:
        link.sendall(b"\r\n".join(lines) + b"\r\n\r\n" + body)
        if not wait:
            link.shutdown(socket.SHUT_WR)
        found = b""
        while got := link.recv(65_536):
            found += got
        return found


def test_a_request_that_no_browser_sends_is_refused(tmp_path: Path) -> None:
    with Page(tmp_path) as page:
        own = f"127.0.0.1:{page.port}".encode()
        post = (b"POST /pair HTTP/1.1", b"Host: " + own, b"Origin: http://" + own, b"Content-Type: application/json")
        assert b" 400 " in raw(page.port, b"GET /me HTTP/1.0").splitlines()[0]
        assert b" 400 " in raw(page.port, b"GET /me HTTP/1.1", b"Host: a", b"Host: b").splitlines()[0]
        absolute = raw(page.port, b"GET http://evil.example/me HTTP/1.1", b"Host: " + own, b"Connection: close")
        assert b'"paired"' not in absolute
        other = raw(page.port, b"GET /me HTTP/1.1", b"Host: evil.example", b"Connection: close")
        assert b" 421 " in other.splitlines()[0]
        large = raw(page.port, *post, b"Content-Length: 1000000", wait=True)
        assert b" 413 " in large.splitlines()[0], "said before the body comes"
        chunks = b"2000\r\n" + b" " * 0x2000 + b"\r\n"
        assert b" 413 " in raw(page.port, *post, b"Transfer-Encoding: chunked", body=chunks, wait=True).splitlines()[0]
        slow = raw(page.port, *post, b"Content-Length: 20", body=b"{", wait=True)
        assert b" 408 " in slow.splitlines()[0]
        upgrade = (b"GET /events HTTP/1.1", b"Host: " + own, b"Connection: Upgrade", b"Upgrade: websocket")
        key = (
            b"Sec-WebSocket-Version: 13",
            b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
            b"Origin: http://evil.example",
        )
        assert b" 403 " in raw(page.port, *upgrade, *key).splitlines()[0]
        assert not page.phone().is_paired, "it serves on"
        assert "Traceback" not in page.errors


def test_what_a_proxy_says_of_the_browser_counts_from_this_computers_own_alone(tmp_path: Path) -> None:
    with Page(tmp_path, env="FORWARDED_ALLOW_IPS=*") as page:
        far = {"X_Forwarded_For": "192.168.1.9", "X_Forwarded_Proto": "https"}
        origin = f"https://127.0.0.1:{page.port}"
        proxied = page.phone()
        assert proxied.call("POST", "/pair", {"code": page.new_code()}, Origin=origin, **far) == (200, {"ok": True})
        assert proxied.cookie.startswith("__Host-gatehand=")
        assert proxied.call("GET", "/me", **far)[1] == {"paired": True, "allow": ["hold"], "log": False}
        plain = {"X_Forwarded_For": "192.168.1.9", "X_Forwarded_Proto": "http"}
        status, said = page.phone().call("POST", "/pair", {"code": page.new_code()}, **plain)
        assert (status, "not encrypted" in said["text"]) == (403, True)
        # Another address of this computer is no proxy that is known: what it says of itself is not believed.
        stranger = page.phone(source="127.0.0.2")
        assert stranger.call("POST", "/pair", {"code": page.new_code()}, Origin=origin, **far)[0] == 403
        assert stranger.call("POST", "/pair", {"code": page.new_code()}, **far)[0] == 200
        assert stranger.cookie.startswith("gatehand=")
