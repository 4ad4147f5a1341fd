"""Messages that wait to be delivered: files in a folder, oldest first.

Each is written under another name and renamed, so that it is there whole or not at all; a new
recorder finds what the previous one could not deliver. For one thread that adds messages and one
that removes them.
"""

import json
import os
from pathlib import Path
from typing import Any, Final

from logger.outside_text import parse_json, read_regular

__all__ = ["MAX_MESSAGES", "Outbox"]

MAX_MESSAGES: Final = 1000
"""Most messages that wait; beyond it the oldest are removed."""
_MESSAGE_SUFFIX: Final = ".json"


class Outbox:
    """The messages of one target."""

    def __init__(self, folder: Path) -> None:
        """Make the folder if it is missing; raises OSError when that fails."""
        folder.mkdir(parents=True, exist_ok=True)
        # Messages hold no addresses, but what a joint did is private to its user as well.
        folder.chmod(0o700)
        self._folder = folder
        names = self._names()
        self._next = int(names[-1].removesuffix(_MESSAGE_SUFFIX)) + 1 if names else 1

    def __len__(self) -> int:
        return len(self._names())

    def add_message(self, content: dict[str, Any]) -> int:
        """Add a message; return how many old ones were removed for it."""
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
        """Return name and content of the oldest message, None where none waits.

        A file that cannot be read is renamed to `.unreadable`.
        """
        for name in self._names():
            path = self._folder / name
            try:
                content = parse_json(read_regular(path), name)
            except FileNotFoundError:
                continue
            except (OSError, ValueError):
                content = None
            if isinstance(content, dict):
                return name, content
            path.rename(path.with_suffix(".unreadable"))
        return None

    def waiting_messages(self) -> list[dict[str, Any]]:
        """Return the content of all messages that wait and can be read, oldest first."""
        contents = []
        for name in self._names():
            try:
                content = parse_json(read_regular(self._folder / name), name)
            except (OSError, ValueError):
                continue
            if isinstance(content, dict):
                contents.append(content)
        return contents

    def remove_message(self, name: str) -> None:
        """Remove a delivered message."""
        (self._folder / name).unlink(missing_ok=True)

    def _names(self) -> list[str]:
        return sorted(
            entry.name
            for entry in self._folder.iterdir()
            if entry.suffix == _MESSAGE_SUFFIX and entry.stem.isdecimal()
        )
