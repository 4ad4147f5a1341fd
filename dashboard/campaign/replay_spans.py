"""Addresses of Replay at spans of a campaign. Pure."""

from collections.abc import Sequence
from typing import Final
from urllib.parse import quote, urlencode

from dashboard.campaign.kept_campaigns import CampaignSpan

__all__ = ["replay_address"]

_AROUND: Final = 0.5
"""Of a span, that is shown before and after it."""
_LEAST_AROUND_NS: Final = 60_000_000_000


def replay_address(spans: Sequence[CampaignSpan], from_ns: int, to_ns: int) -> str:
    """Return where Replay shows a span marked, in the recording that holds most of it.

    Of a span that no recording holds the recording that ends last before it, at its end; "" where
    there is none.
    """
    if not spans:
        return ""
    held = max(spans, key=lambda one: min(one.end_ns, to_ns) - max(one.start_ns, from_ns))
    begin_ns = min(max(from_ns, held.start_ns), held.end_ns)
    until_ns = max(min(to_ns, held.end_ns), begin_ns)
    around_ns = max(round((until_ns - begin_ns) * _AROUND), _LEAST_AROUND_NS)
    shown = (max(begin_ns - around_ns, held.start_ns), min(until_ns + around_ns, held.end_ns))
    begin_s, until_s, from_s, to_s = (
        f"{(at - held.start_ns) / 1e9:.3f}" for at in (begin_ns, until_ns, *shown)
    )
    query = {"from": from_s, "to": to_s}
    if until_ns > begin_ns:
        query |= {"span0": begin_s, "span1": until_s}
    return f"/replay/{quote(held.path)}?{urlencode(query)}"
