"""How many examples a property test draws: half in the quick suite, all in the long one."""

import os

__all__ = ["examples", "is_full_depth"]


def is_full_depth() -> bool:
    """Return whether this is the long suite: `make slow` sets TEST_DEPTH=full."""
    return os.environ.get("TEST_DEPTH") == "full"


def examples(count: int) -> int:
    """Return how many of `count` examples are drawn."""
    return count if is_full_depth() else max(count // 2, 20)
