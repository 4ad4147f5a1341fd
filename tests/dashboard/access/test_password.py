"""The password's file: a hash and nothing else, and no other file in its place."""

import stat
from pathlib import Path

import pytest

from dashboard.access.password import read_password, write_password
from logger.errors import InputError

TYPED = "four plain words here"


def test_the_file_holds_a_hash_and_no_password(tmp_path: Path):
    """Argon2id in its encoded form, readable by its owner only; another salt each time."""
    path = tmp_path / "password"
    write_password(path, TYPED)
    text = path.read_text()
    assert text.startswith("$argon2id$")
    assert "plain" not in text
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    write_password(path, TYPED)
    assert path.read_text() != text
    assert [one.name for one in tmp_path.iterdir()] == ["password"]


def test_only_the_password_is_it(tmp_path: Path):
    """What differs by a letter, a blank or its length is not it; nothing raises."""
    path = tmp_path / "password"
    write_password(path, TYPED)
    password = read_password(path)
    assert password.verify(TYPED)
    for tried in ("", TYPED + " ", TYPED.upper(), TYPED[:-1], "x" * 5000, "\ud800", "\0"):
        assert not password.verify(tried)


@pytest.mark.parametrize("typed", ["", "eleven char", "x" * 1001])
def test_a_password_is_long_enough(tmp_path: Path, typed: str):
    """One that is too short is refused, and nothing is written."""
    with pytest.raises(InputError, match="expected 12 to 1000"):
        write_password(tmp_path / "password", typed)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "text",
    ["", "hunter2", "$argon2id$", "$argon2i$v=19$m=8,t=1,p=1$c29tZXNhbHQ$aGFzaGhhc2g", "\xff"],
)
def test_a_file_without_a_hash_is_refused(tmp_path: Path, text: str):
    """A password written in plain text is no password: the message says how to make the file."""
    path = tmp_path / "password"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(InputError, match="dutytrace password"):
        read_password(path)


def test_a_file_that_is_not_ones_own_is_refused(tmp_path: Path):
    """None there, a folder, or one that others may write: each is said with how to mend it."""
    with pytest.raises(InputError, match="no such file"):
        read_password(tmp_path / "none")
    with pytest.raises(InputError, match="holds no hash"):
        read_password(tmp_path)
    path = tmp_path / "password"
    write_password(path, TYPED)
    path.chmod(0o620)
    with pytest.raises(InputError, match="chmod 600"):
        read_password(path)


def test_a_folder_that_is_not_there(tmp_path: Path):
    """The file that cannot be written is named."""
    with pytest.raises(InputError, match="cannot be written"):
        write_password(tmp_path / "none" / "password", TYPED)
