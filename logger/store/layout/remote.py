"""Where a recording lies: a folder here, or an address that fsspec opens (`s3://bucket/NAME`).

An `Address` answers what the reader asks of a folder, and fetches stretches of its files, never a
whole one unasked. It is listed once: what is sealed stays as it is. Nothing but its text travels to
another process, which opens it with what its own environment says (credentials, endpoint).
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path, PurePosixPath
from threading import Lock
from typing import Any, Final

from logger.errors import DutytraceError, InputError, OutsideFault
from logger.store.layout.byte_cache import Kept

__all__ = ["Address", "Place", "Stretches", "place_of", "resolved"]

_NEAR: Final = 8192
"""Stretches that lie so close, in bytes, are fetched as one."""
_KEPT: Final = 32 * 1024 * 1024
"""Bytes that were fetched and are kept for a while: neighbouring windows share row groups."""
_OPTIONS: Final[dict[str, dict[str, Any]]] = {
    # Its own patience is over a minute for a store that is gone.
    "s3": {
        "config_kwargs": {
            "connect_timeout": 5,
            "read_timeout": 20,
            "retries": {"max_attempts": 2, "mode": "standard"},
        }
    }
}
_WRONG: Final = frozenset(
    (
        "CredentialRetrievalError",
        "NoCredentialsError",
        "ParamValidationError",
        "PartialCredentialsError",
    )
)
"""What a store's own library raises, before it asks, about what it was given."""


class Address:
    """A recording at an address, or something within it."""

    __slots__ = ("_inner", "_store")

    def __init__(self, text: str) -> None:
        """Take an address; nothing is opened before something is asked of it."""
        self._store = _Store(text if text.endswith("://") else text.rstrip("/"))
        self._inner = ""

    def __reduce__(self) -> tuple[type["Address"], tuple[str]]:
        return Address, (str(self),)

    def __str__(self) -> str:
        return f"{self._store.text}/{self._inner}" if self._inner else self._store.text

    def __repr__(self) -> str:
        return f"Address({str(self)!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Address) and str(self) == str(other)

    def __hash__(self) -> int:
        return hash(str(self))

    def __truediv__(self, name: str) -> "Address":
        within = Address.__new__(Address)
        within._store = self._store
        within._inner = f"{self._inner}/{name}" if self._inner else name
        return within

    @property
    def name(self) -> str:
        """The last part of it."""
        return PurePosixPath(str(self)).name

    @property
    def stem(self) -> str:
        """The last part of it without its ending."""
        return PurePosixPath(str(self)).stem

    @property
    def suffix(self) -> str:
        """The ending of its last part."""
        return PurePosixPath(str(self)).suffix

    @property
    def size(self) -> int:
        """Bytes of the file; raises FileNotFoundError when there is none."""
        return self._store.size_of(self._inner)

    def is_file(self) -> bool:
        """Return whether it is a file."""
        return self._inner in self._store.files

    def is_dir(self) -> bool:
        """Return whether something lies below it."""
        return self._inner in self._store.folders

    def iterdir(self) -> Iterator["Address"]:
        """Yield what lies right below it; raises FileNotFoundError when nothing does."""
        if not self.is_dir():
            raise FileNotFoundError(str(self))
        return (self / name for name in self._store.folders[self._inner])

    def read_text(self, encoding: str = "utf-8") -> str:
        """Return the text of the file; raises FileNotFoundError when there is none."""
        return self.fetch([(0, self.size)])[0].decode(encoding)

    def fetch(self, stretches: Sequence[tuple[int, int]]) -> list[bytes]:
        """Return stretches of the file, each given by its first byte and its length, at once.

        Raises
        ------
        InputError
            The store does not allow it.
        OutsideFault
            The store cannot be reached, or no longer has what it listed.
        """
        return self._store.fetched(self._inner, stretches)


Place = Path | Address
"""A folder or a file here, or the same at an address."""


def place_of(text: str) -> Place:
    """Return where something lies that somebody typed."""
    return Address(text) if "://" in text else Path(text)


def resolved(place: Place) -> Place:
    """Return it as it is called from any working folder."""
    return place if isinstance(place, Address) else place.resolve()


class _Store:
    """What lies at one address: its listing, and the one way to its bytes."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lock = Lock()
        self._system: Any = None
        self._path = ""
        self._files: dict[str, int] = {}
        self._folders: dict[str, dict[str, None]] = {}
        self._kept: Kept[bytes] = Kept(most_bytes=_KEPT)

    @property
    def files(self) -> dict[str, int]:
        """Bytes of each file, by its path below the address."""
        self._opened()
        return self._files

    @property
    def folders(self) -> dict[str, dict[str, None]]:
        """What lies in each folder, in order."""
        self._opened()
        return self._folders

    def size_of(self, inner: str) -> int:
        found = self.files.get(inner)
        if found is None:
            raise FileNotFoundError(f"{self.text}/{inner}")
        return found

    def fetched(self, inner: str, stretches: Sequence[tuple[int, int]]) -> list[bytes]:
        self.size_of(inner)
        found: dict[tuple[int, int], bytes] = {}
        for one in stretches:
            held = self._kept.get((inner, *one))
            if held is not None:
                found[one] = held
        wanted = [one for one in dict.fromkeys(stretches) if one not in found]
        if wanted:
            found.update(zip(wanted, self._asked(inner, wanted), strict=True))
            for one in wanted:
                if len(found[one]) <= _KEPT // 4:
                    self._kept.put((inner, *one), found[one], size_bytes=len(found[one]))
        return [found[one] for one in stretches]

    def _asked(self, inner: str, stretches: Sequence[tuple[int, int]]) -> list[bytes]:
        where, path = f"{self.text}/{inner}", f"{self._path}/{inner}"
        with _told(where):
            try:
                found = self._system.cat_ranges(
                    [path] * len(stretches),
                    [first for first, _ in stretches],
                    [first + size for first, size in stretches],
                    on_error="raise",
                )
            except FileNotFoundError:
                raise OutsideFault(f"{where}: this file was listed and is gone.") from None
        for (first, size), one in zip(stretches, found, strict=True):
            if len(one) != size:
                raise OutsideFault(
                    f"{where}: found {len(one)} bytes from byte {first} on, expected {size}: it is "
                    "not what was listed."
                )
        return [bytes(one) for one in found]

    def _opened(self) -> None:
        with self._lock:
            if self._system is not None:
                return
            with _told(self.text):
                from fsspec.core import url_to_fs  # noqa: PLC0415 - an optional extra

                scheme = self.text.partition("://")[0].rpartition("::")[2]
                system, path = url_to_fs(self.text, **_OPTIONS.get(scheme, {}))
                path = str(path).rstrip("/")
                # A listing that was kept may be older than the recording.
                system.invalidate_cache()
                listed = system.find(path, detail=True)
            for full, about in listed.items():
                inner = str(full).removeprefix(path).strip("/")
                if not inner:
                    raise InputError(
                        f"{self.text}: found a file, expected a recording folder. A packed "
                        "recording is read here: fetch it, then `dutytrace unpack` it."
                    )
                self._files[inner] = int(about["size"])
                while inner:
                    folder, _, name = inner.rpartition("/")
                    self._folders.setdefault(folder, {})[name] = None
                    inner = folder
            self._path = path
            self._system = system


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Say in a sentence what a store answers; each kind of store raises its own."""
    try:
        yield
    except DutytraceError:
        raise
    except ImportError as fault:
        raise InputError(
            f"{where}: addresses are opened by fsspec and what it needs for each kind "
            f"({fault}); expected them: pip install 'dutytrace[remote]' brings those for s3://."
        ) from None
    except FileNotFoundError:
        raise InputError(f"{where}: there is nothing at this address.") from None
    except PermissionError as fault:
        raise InputError(f"{where}: it may not be read ({_reason(fault)}).") from None
    except Exception as fault:
        if type(fault).__name__ in _WRONG or isinstance(fault, ValueError):
            raise InputError(f"{where}: it cannot be opened ({_reason(fault)}).") from None
        raise OutsideFault(f"{where}: it cannot be read ({_reason(fault)}).") from fault


def _reason(fault: BaseException) -> str:
    return " ".join(str(fault).split()) or type(fault).__name__


class Stretches(io.RawIOBase):
    """A file at an address of which only stretches are fetched: those that are named, at once."""

    def __init__(self, address: Address, stretches: Sequence[tuple[int, int]]) -> None:
        """Fetch stretches, each given by its first byte and its length."""
        super().__init__()
        self._address = address
        self._at = 0
        near = _near([one for one in stretches if one[1]])
        self._held = list(zip(near, address.fetch(near), strict=True)) if near else []

    def at(self, first: int, size: int) -> bytes:
        """Return a stretch; one that was not named is fetched now."""
        for (begin, length), held in self._held:
            if begin <= first and first + size <= begin + length:
                return held[first - begin : first - begin + size]
        (found,) = self._address.fetch([(first, size)])
        return found

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def seekable(self) -> bool:
        """Return that it can be read at any place."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a byte."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._address.size}[whence]
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        """Return where it stands."""
        return self._at

    def read(self, size: int | None = -1) -> bytes:
        """Return bytes from where it stands."""
        left = max(self._address.size - self._at, 0)
        size = left if size is None or size < 0 else min(size, left)
        found = self.at(self._at, size) if size else b""
        self._at += len(found)
        return found


def _near(stretches: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return stretches in order, those close to each other as one."""
    if not stretches:
        return []
    ordered = sorted(stretches)
    found = [ordered[0]]
    for _, (first, size) in pairwise(ordered):
        begin, length = found[-1]
        if first <= begin + length + _NEAR:
            found[-1] = (begin, max(length, first + size - begin))
        else:
            found.append((first, size))
    return found
