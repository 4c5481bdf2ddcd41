"""The page's own certificate and key: says in words what is wrong with them, and takes new ones while the page runs.

A server would only say "PEM lib".
"""

import contextlib
import ssl
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path


class TlsError(Exception):
    """They cannot be used; the text says which, what was found, and what is wanted."""


class _EncryptedError(Exception):
    """The key wants a password."""


@dataclass(frozen=True, slots=True)
class Tls:
    """The page's own certificate."""

    cert_file: Path
    key_file: Path


class Certificate:
    """The certificate in force, read again when its files change; one that cannot be used leaves the last good one.

    Args:
        tls: its files.
        say: a line for whoever looks at the service, by its level.

    Raises:
        TlsError: it cannot be used.
    """

    def __init__(self, tls: Tls, say: Callable[[str, str], None]) -> None:
        self._tls = tls
        self._say = say
        self._seen = self._files()
        self._context = load(tls)
        self._caution()

    def context(self) -> ssl.SSLContext:
        """For a new connection."""
        return self._context

    def look(self) -> None:
        """Take what is there now, if it has changed."""
        found = self._files()
        if found == self._seen:
            return
        self._seen = found
        try:
            self._context = load(self._tls)
        except TlsError as error:
            self._say("error", f"{error}; the old one stays in use")
        else:
            self._say("info", f"the certificate {self._tls.cert_file} has been read again and is in use")
            self._caution()

    def _caution(self) -> None:
        for text in cautions(self._tls.key_file):
            self._say("warning", f"[page] tls: {text}")

    def _files(self) -> tuple[tuple[int, int, int] | None, ...]:
        def of(path: Path) -> tuple[int, int, int] | None:
            with contextlib.suppress(OSError):
                found = path.stat()
                return found.st_mtime_ns, found.st_size, found.st_ino
            return None

        return of(self._tls.cert_file), of(self._tls.key_file)


def load(tls: Tls) -> ssl.SSLContext:
    """What a connection is encrypted with.

    Raises:
        TlsError: the files cannot be used.
    """
    cert_file, key_file = tls.cert_file, tls.key_file
    for file, what in ((cert_file, "the page's certificate"), (key_file, "the page's private key")):
        try:
            with file.open("rb") as stream:
                stream.read(1)
        except OSError as error:
            why = error.strerror or str(error)
            raise TlsError(
                f"{file} cannot be read ({why}): wanted {what}, in PEM, readable by the page's user"
            ) from error
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(cert_file, key_file, _no_password)
    except _EncryptedError:
        text = f"{key_file} is encrypted, and nobody is there to type its password: wanted the key without one"
        raise TlsError(text) from None
    except ssl.SSLError as error:
        if "MISMATCH" in (error.reason or ""):
            text = f"{key_file} is not the key of {cert_file}: wanted the two that belong together"
            raise TlsError(text) from error
        text = "wanted a certificate (then those that signed it) and its key, each in PEM"
        why = error.reason or str(error)
        raise TlsError(f"{cert_file} and {key_file} cannot be used ({why}): {text}") from error
    return context


def cautions(key_file: Path) -> Iterator[str]:
    """What the owner should fix, though the page works."""
    with contextlib.suppress(OSError):  # gone a moment ago: the next look tells
        if not key_file.stat().st_mode & stat.S_IROTH:
            return
        yield (
            f"{key_file}: everybody on this computer can read the page's private key; take that right away: "
            f"chmod o= {key_file}"
        )


def _no_password() -> str:
    raise _EncryptedError
