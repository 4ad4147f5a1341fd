"""The location of a recording: a local folder, or an address that fsspec opens (`s3://bucket/NAME`).

An `Address` has the methods of a path that the reader needs, and fetches byte ranges of its files,
never a whole file unless it is asked for. It is listed once, since sealed parts do not change. Only
its text is sent to another process, which opens it with its own environment (credentials,
endpoint).
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path, PurePosixPath
from threading import Lock
from typing import Any, Final

from logger.errors import DutytraceError, InputError, OutsideFault
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import real_path

__all__ = ["Address", "Location", "RangeFile", "absolute_location", "location_of"]

_MERGE_DISTANCE_BYTES: Final = 8192
"""Ranges with a gap of at most this many bytes are fetched as one: a request costs more."""
_CACHE_BYTES: Final = 32 * 1024 * 1024
"""Fetched bytes that are cached: neighbouring windows share row groups."""
_STORE_OPTIONS: Final[dict[str, dict[str, Any]]] = {
    # The library's own timeouts are over a minute for a store that does not answer.
    "s3": {
        "config_kwargs": {
            "connect_timeout": 5,
            "read_timeout": 20,
            "retries": {"max_attempts": 2, "mode": "standard"},
        }
    }
}
_USER_ERRORS: Final = frozenset(
    (
        "CredentialRetrievalError",
        "NoCredentialsError",
        "ParamValidationError",
        "PartialCredentialsError",
    )
)
"""Errors that a store's own library raises about its settings, before any request."""


class Address:
    """A recording at an address, or something within it."""

    __slots__ = ("_inner_path", "_store")

    def __init__(self, text: str) -> None:
        """Make an address from its text; the store is contacted at the first access."""
        self._store = _ObjectStore(text if text.endswith("://") else text.rstrip("/"))
        self._inner_path = ""

    def __reduce__(self) -> tuple[type["Address"], tuple[str]]:
        return Address, (str(self),)

    def __str__(self) -> str:
        return f"{self._store.text}/{self._inner_path}" if self._inner_path else self._store.text

    def __repr__(self) -> str:
        return f"Address({str(self)!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Address) and str(self) == str(other)

    def __hash__(self) -> int:
        return hash(str(self))

    def __truediv__(self, name: str) -> "Address":
        within = Address.__new__(Address)
        within._store = self._store
        within._inner_path = f"{self._inner_path}/{name}" if self._inner_path else name
        return within

    @property
    def name(self) -> str:
        """The last part of the path."""
        return PurePosixPath(str(self)).name

    @property
    def stem(self) -> str:
        """The last part of the path without its suffix."""
        return PurePosixPath(str(self)).stem

    @property
    def suffix(self) -> str:
        """The suffix of the last part of the path."""
        return PurePosixPath(str(self)).suffix

    @property
    def size(self) -> int:
        """Bytes of the file; raises FileNotFoundError when there is none."""
        return self._store.size_of(self._inner_path)

    def is_file(self) -> bool:
        """Return whether it is a file."""
        return self._inner_path in self._store.files

    def is_dir(self) -> bool:
        """Return whether it is a folder, that is, whether there is a file below it."""
        return self._inner_path in self._store.folders

    def iterdir(self) -> Iterator["Address"]:
        """Yield files and folders directly in it; raises FileNotFoundError when it is no folder."""
        if not self.is_dir():
            raise FileNotFoundError(str(self))
        return (self / name for name in self._store.folders[self._inner_path])

    def read_text(self, encoding: str = "utf-8") -> str:
        """Return the text of the file; raises FileNotFoundError when there is none."""
        return self.read_ranges([(0, self.size)])[0].decode(encoding)

    def read_ranges(self, ranges: Sequence[tuple[int, int]]) -> list[bytes]:
        """Return byte ranges of the file, each given as (first byte, length), in one request.

        Raises
        ------
        InputError
            The store does not allow it.
        OutsideFault
            The store cannot be reached, or no longer has what it listed.
        """
        return self._store.read_ranges(self._inner_path, ranges)


Location = Path | Address
"""A local folder or file, or one at an address."""


def location_of(text: str) -> Location:
    """Return the location that a text names: an address if it has a scheme, else a path."""
    return Address(text) if "://" in text else Path(text)


def absolute_location(location: Location) -> Location:
    """Return a location that is valid in any working folder."""
    return location if isinstance(location, Address) else real_path(location)


class _ObjectStore:
    """The store at one address: its listing, and cached access to the bytes of its files."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lock = Lock()
        self._system: Any = None
        self._path = ""
        self._files: dict[str, int] = {}
        self._folders: dict[str, dict[str, None]] = {}
        self._byte_cache: ByteLruCache[bytes] = ByteLruCache(max_bytes=_CACHE_BYTES)

    @property
    def files(self) -> dict[str, int]:
        """Size of each file in bytes, by its path below the address."""
        self._connect()
        return self._files

    @property
    def folders(self) -> dict[str, dict[str, None]]:
        """Names in each folder, in order; the dictionaries serve as ordered sets."""
        self._connect()
        return self._folders

    def size_of(self, inner: str) -> int:
        size = self.files.get(inner)
        if size is None:
            raise FileNotFoundError(f"{self.text}/{inner}")
        return size

    def read_ranges(self, inner: str, ranges: Sequence[tuple[int, int]]) -> list[bytes]:
        self.size_of(inner)
        chunks: dict[tuple[int, int], bytes] = {}
        for byte_range in ranges:
            cached = self._byte_cache.get((inner, *byte_range))
            if cached is not None:
                chunks[byte_range] = cached
        uncached = [byte_range for byte_range in dict.fromkeys(ranges) if byte_range not in chunks]
        if uncached:
            chunks.update(zip(uncached, self._request_ranges(inner, uncached), strict=True))
            for byte_range in uncached:
                if len(chunks[byte_range]) <= _CACHE_BYTES // 4:
                    self._byte_cache.put(
                        (inner, *byte_range), chunks[byte_range], size_bytes=len(chunks[byte_range])
                    )
        return [chunks[byte_range] for byte_range in ranges]

    def _request_ranges(self, inner: str, ranges: Sequence[tuple[int, int]]) -> list[bytes]:
        location_text, path = f"{self.text}/{inner}", f"{self._path}/{inner}"
        with _translated_errors(location_text):
            try:
                chunks = self._system.cat_ranges(
                    [path] * len(ranges),
                    [first for first, _ in ranges],
                    [first + size for first, size in ranges],
                    on_error="raise",
                )
            except FileNotFoundError:
                raise OutsideFault(f"{location_text}: this file was listed and is gone.") from None
        for (first, size), byte_range in zip(ranges, chunks, strict=True):
            if len(byte_range) != size:
                raise OutsideFault(
                    f"{location_text}: found {len(byte_range)} bytes from byte {first} on, "
                    f"expected {size}: the file has changed since it was listed."
                )
        return [bytes(byte_range) for byte_range in chunks]

    def _connect(self) -> None:
        with self._lock:
            if self._system is not None:
                return
            with _translated_errors(self.text):
                from fsspec.core import url_to_fs  # noqa: PLC0415 - an optional extra

                scheme = self.text.partition("://")[0].rpartition("::")[2]
                system, path = url_to_fs(self.text, **_STORE_OPTIONS.get(scheme, {}))
                path = str(path).rstrip("/")
                # A cached listing may be older than the recording.
                system.invalidate_cache()
                listing = system.find(path, detail=True)
            for full, entry in listing.items():
                inner_path = str(full).removeprefix(path).strip("/")
                if not inner_path:
                    raise InputError(
                        f"{self.text}: found a file, expected a recording folder. A packed "
                        "recording is read here: fetch it, then `dutytrace unpack` it."
                    )
                self._files[inner_path] = int(entry["size"])
                while inner_path:
                    folder, _, name = inner_path.rpartition("/")
                    self._folders.setdefault(folder, {})[name] = None
                    inner_path = folder
            self._path = path
            self._system = system


@contextmanager
def _translated_errors(location_text: str) -> Iterator[None]:
    """Translate the errors of a store into InputError or OutsideFault; each kind has its own."""
    try:
        yield
    except DutytraceError:
        raise
    except ImportError as fault:
        raise InputError(
            f"{location_text}: addresses are opened by fsspec and what it needs for each kind "
            f"({fault}); expected them: pip install 'dutytrace[remote]' brings those for s3://."
        ) from None
    except FileNotFoundError:
        raise InputError(f"{location_text}: there is nothing at this address.") from None
    except PermissionError as fault:
        raise InputError(
            f"{location_text}: it may not be read ({_store_error_reason(fault)})."
        ) from None
    except Exception as fault:
        if type(fault).__name__ in _USER_ERRORS or isinstance(fault, ValueError):
            raise InputError(
                f"{location_text}: it cannot be opened ({_store_error_reason(fault)})."
            ) from None
        raise OutsideFault(
            f"{location_text}: it cannot be read ({_store_error_reason(fault)})."
        ) from fault


def _store_error_reason(fault: BaseException) -> str:
    return " ".join(str(fault).split()) or type(fault).__name__


class RangeFile(io.RawIOBase):
    """A file at an address of which only byte ranges are fetched: the named ones in one request."""

    def __init__(self, address: Address, ranges: Sequence[tuple[int, int]]) -> None:
        """Fetch `ranges`, each given as (first byte, length)."""
        super().__init__()
        self._address = address
        self._offset = 0
        merged_ranges = _merged_ranges([byte_range for byte_range in ranges if byte_range[1]])
        self._cached_ranges = (
            list(zip(merged_ranges, address.read_ranges(merged_ranges), strict=True))
            if merged_ranges
            else []
        )

    def bytes_at(self, first: int, size: int) -> bytes:
        """Return `size` bytes from byte `first` on; fetched now unless within a named range."""
        for (begin, length), cached in self._cached_ranges:
            if begin <= first and first + size <= begin + length:
                return cached[first - begin : first - begin + size]
        (chunk,) = self._address.read_ranges([(first, size)])
        return chunk

    def readable(self) -> bool:
        """Return True: the file can be read."""
        return True

    def seekable(self) -> bool:
        """Return True: the file can be read at any offset."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Set the offset of the next read; return it."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._offset, io.SEEK_END: self._address.size}[whence]
        self._offset = base + offset
        return self._offset

    def tell(self) -> int:
        """Return the offset of the next read."""
        return self._offset

    def read(self, size: int | None = -1) -> bytes:
        """Return up to `size` bytes from the present offset; all that remain for None or -1."""
        remaining = max(self._address.size - self._offset, 0)
        size = remaining if size is None or size < 0 else min(size, remaining)
        chunk = self.bytes_at(self._offset, size) if size else b""
        self._offset += len(chunk)
        return chunk


def _merged_ranges(ranges: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return ranges in order, those within `_MERGE_DISTANCE_BYTES` of each other merged."""
    if not ranges:
        return []
    ordered = sorted(ranges)
    merged = [ordered[0]]
    for _, (first, size) in pairwise(ordered):
        begin, length = merged[-1]
        if first <= begin + length + _MERGE_DISTANCE_BYTES:
            merged[-1] = (begin, max(length, first + size - begin))
        else:
            merged.append((first, size))
    return merged
