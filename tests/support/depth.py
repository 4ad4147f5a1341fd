"""How many examples a property test draws: half in the quick suite, all in the long one."""

import os

__all__ = ["examples"]


def examples(count: int) -> int:
    """Return how many of `count` examples are drawn; `make slow` sets TEST_DEPTH=full."""
    return count if os.environ.get("TEST_DEPTH") == "full" else max(count // 2, 20)
