"""The file with the hash of the password, and the check of a password against it.

The hash is Argon2id (RFC 9106) by argon2-cffi, in the encoded form with its parameters: one
line.
The file is written by `dutytrace password` from what is typed, never from an option, so
that the password is in no shell history and no list of processes.
"""

import contextlib
import os
import stat
import threading
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError

from logger.errors import InputError, OutsideFault
from logger.outside_text import UnusualFileError, read_regular

__all__ = [
    "MAX_PASSWORD_CHARS",
    "MIN_PASSWORD_CHARS",
    "Password",
    "read_password",
    "write_password",
]

MIN_PASSWORD_CHARS: Final = 12
"""Characters that a new password has at least (tries are limited, so length is what counts)."""
MAX_PASSWORD_CHARS: Final = 1000
_MAX_HASH_BYTES: Final = 4096
_OTHERS_MAY_WRITE: Final = stat.S_IWGRP | stat.S_IWOTH


class Password:
    """A password of which only the hash is known."""

    def __init__(self, encoded: str) -> None:
        self._encoded = encoded
        self._hasher = PasswordHasher()
        # One hash takes 64 MiB of memory: concurrent tries wait for each other.
        self._one_at_a_time = threading.Lock()

    def verify(self, candidate: str) -> bool:
        """Return whether `candidate` is the password; takes tens of milliseconds on purpose."""
        if len(candidate) > MAX_PASSWORD_CHARS:
            return False
        with self._one_at_a_time:
            try:
                return self._hasher.verify(self._encoded, candidate)
            except (VerificationError, UnicodeError):
                return False


def write_password(path: Path, password: str) -> None:
    """Write the hash of a password, readable by its owner only, whole or not at all.

    Raises
    ------
    InputError
        The password is too short or too long, or the file cannot be written.
    """
    if not MIN_PASSWORD_CHARS <= len(password) <= MAX_PASSWORD_CHARS:
        raise InputError(
            f"password: found {len(password)} characters, expected {MIN_PASSWORD_CHARS} to "
            f"{MAX_PASSWORD_CHARS}. A few words in a row are long and easy to type."
        )
    temporary = path.with_name(f".{path.name}.aside")
    try:
        encoded = PasswordHasher().hash(password)
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(encoded + "\n")
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except UnicodeError:
        raise InputError("password: found bytes that are no text; type it again.") from None
    except OSError as fault:
        # The first error is reported, not that what is left cannot be removed.
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise InputError(f"{path}: cannot be written ({fault.strerror or fault}).") from None


def read_password(path: Path) -> Password:
    """Return the password whose hash a file holds.

    Raises
    ------
    InputError
        There is no such file, it holds no hash of Argon2id, or others may write it.
    OutsideFault
        It cannot be read.
    """
    try:
        mode = path.stat().st_mode
        text = read_regular(path, max_bytes=_MAX_HASH_BYTES).decode("ascii").strip()
    except FileNotFoundError:
        raise InputError(
            f"{path}: there is no such file. Make one with `dutytrace password {path}`."
        ) from None
    except (UnicodeError, IsADirectoryError, UnusualFileError):
        raise InputError(_no_hash_text(path)) from None
    except OSError as fault:
        raise OutsideFault(f"{path}: cannot be read ({fault.strerror or fault}).") from fault
    try:
        kind = extract_parameters(text).type
    except InvalidHashError:
        raise InputError(_no_hash_text(path)) from None
    if kind is not Type.ID:
        raise InputError(_no_hash_text(path))
    if mode & _OTHERS_MAY_WRITE:
        raise InputError(
            f"{path}: others may write this file, and so let themselves in (found mode "
            f"{stat.S_IMODE(mode):03o}, expected 600). Correct it with `chmod 600 {path}`."
        )
    return Password(text)


def _no_hash_text(path: Path) -> str:
    return (
        f"{path}: holds no hash of a password (expected one line that begins with $argon2id$). "
        f"Make the file with `dutytrace password {path}`."
    )
