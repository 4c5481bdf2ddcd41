"""The page's own certificate and key, looked at before anybody relies on them: a server would only say "PEM lib"."""

import ssl
import stat
from collections.abc import Iterator
from pathlib import Path


class TlsError(Exception):
    """They cannot be used; the text says which, what was found, and what is wanted."""


class _EncryptedError(Exception):
    """The key wants a password."""


def check(cert_file: Path, key_file: Path) -> None:
    """Have a look at both files.

    Raises:
        TlsError: they cannot be used.
    """
    for file, what in ((cert_file, "the page's certificate"), (key_file, "the page's private key")):
        try:
            with file.open("rb") as stream:
                stream.read(1)
        except OSError as error:
            why = error.strerror or str(error)
            raise TlsError(
                f"{file} cannot be read ({why}): wanted {what}, in PEM, readable by the page's user"
            ) from error
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
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


def cautions(key_file: Path) -> Iterator[str]:
    """What the owner should mend, though the page works."""
    if key_file.stat().st_mode & stat.S_IROTH:
        yield (
            f"{key_file}: everybody on this computer can read the page's private key; take that right away: "
            f"chmod o= {key_file}"
        )


def _no_password() -> str:
    raise _EncryptedError
