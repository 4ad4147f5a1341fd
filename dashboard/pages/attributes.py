"""HTML attributes with a dash in their name, which Python cannot write as keywords."""

from collections.abc import Mapping
from typing import Any

__all__ = ["html_attributes"]


def html_attributes(attributes: Mapping[str, str]) -> dict[str, Any]:
    """Return attributes such as aria-label for a Dash component's keywords."""
    return dict(attributes)
