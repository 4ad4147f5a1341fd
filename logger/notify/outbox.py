"""Messages that wait to be delivered: files in a folder, oldest first.

Written aside and renamed, so that one is there whole or not at all; a recorder that starts again
finds what the one before could not deliver. For one thread that puts and one that takes.
"""

import json
import os
from pathlib import Path
from typing import Any, Final

__all__ = ["MAX_MESSAGES", "Outbox"]

MAX_MESSAGES: Final = 1000
"""Messages that wait at most; then the oldest go."""
_MESSAGE_SUFFIX: Final = ".json"


class Outbox:
    """The messages of one target."""

    def __init__(self, folder: Path) -> None:
        """Make the folder where it is not there; raises OSError when that fails."""
        folder.mkdir(parents=True, exist_ok=True)
        # Addresses are not in here, but what a joint did is nobody else's business either.
        folder.chmod(0o700)
        self._folder = folder
        names = self._names()
        self._next = int(names[-1].removesuffix(_MESSAGE_SUFFIX)) + 1 if names else 1

    def __len__(self) -> int:
        return len(self._names())

    def add_message(self, content: dict[str, Any]) -> int:
        """Add a message; return how many old ones had to go."""
        name = f"{self._next:012d}{_MESSAGE_SUFFIX}"
        self._next += 1
        temporary = self._folder / f".{name}"
        with temporary.open("wb") as file:
            file.write(json.dumps(content, ensure_ascii=False).encode())
            file.flush()
            os.fsync(file.fileno())
        temporary.rename(self._folder / name)
        names = self._names()
        for oldest in names[: max(len(names) - MAX_MESSAGES, 0)]:
            (self._folder / oldest).unlink(missing_ok=True)
        return max(len(names) - MAX_MESSAGES, 0)

    def oldest_message(self) -> tuple[str, dict[str, Any]] | None:
        """Return the oldest message and its name; one that cannot be read is put aside."""
        for name in self._names():
            path = self._folder / name
            try:
                content = json.loads(path.read_text("utf-8"))
            except FileNotFoundError:
                continue
            except (OSError, ValueError):
                content = None
            if isinstance(content, dict):
                return name, content
            path.rename(path.with_suffix(".unreadable"))
        return None

    def remove_message(self, name: str) -> None:
        """Take a delivered message away."""
        (self._folder / name).unlink(missing_ok=True)

    def _names(self) -> list[str]:
        return sorted(
            entry.name
            for entry in self._folder.iterdir()
            if entry.suffix == _MESSAGE_SUFFIX and entry.stem.isdecimal()
        )
