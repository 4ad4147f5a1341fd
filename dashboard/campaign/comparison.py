"""Another joint beside the one that is shown: its figures on the same running hours. Pure."""

from collections.abc import Iterator, Sequence
from typing import Any

from dashboard.campaign.campaign_list import CampaignEntry
from dashboard.campaign.figure_text import FigureText
from dashboard.campaign.kept_campaigns import ReadCampaign
from dashboard.text.units import Displays
from replay.campaign.campaign import FigureAnswer

__all__ = ["comparison_table", "joint_key", "matching_figure", "other_joints", "split_key"]


def joint_key(path: str, joint: str) -> str:
    """Return what an address names a joint of a campaign by; no folder's name has a /."""
    return f"{path}/{joint}"


def split_key(key: str) -> tuple[str, str]:
    """Return the recording and the joint of a key."""
    path, _, joint = key.partition("/")
    return path, joint


def other_joints(campaigns: Sequence[CampaignEntry], shown: str) -> list[dict[str, str]]:
    """Return the joints that can be put beside the one that is shown, by its key."""
    return [
        {"key": key, "name": _named(one, label, serial)}
        for one in campaigns
        for joint, label, serial in one.first.joints
        if (key := joint_key(one.first.path, joint)) != shown
    ]


def _named(entry: CampaignEntry, label: str, serial: str) -> str:
    of = entry.first.plan_name or entry.first.name
    return f"{label} {serial}, {of}" if serial else f"{label}, {of}"


def matching_figure(figure: FigureAnswer, other: ReadCampaign) -> FigureAnswer | None:
    """Return the same figure of another campaign, of the same stage if that is watched there."""
    named = [one for one in other.campaign.figures if one.trend.name == figure.trend.name]
    same = [one for one in named if one.stage == figure.stage]
    return next(iter((*same, *named)), None)


def comparison_table(read: ReadCampaign, other: ReadCampaign, displays: Displays) -> dict[str, Any]:
    """Return the figures that both have, side by side."""
    names = [_short_name(one) for one in (read, other)]
    head = ["", *names, *(f"a day, 95 %: {name}" for name in names), "changes found"]
    return {"head": head, "rows": [*_rows_of_both(read, other, displays)]}


def _rows_of_both(
    read: ReadCampaign, other: ReadCampaign, displays: Displays
) -> Iterator[list[str]]:
    for figure in read.campaign.figures:
        theirs = matching_figure(figure, other)
        if theirs is None:
            continue
        texts = [FigureText(one, displays) for one in (figure, theirs)]
        counts = [str(len(one.figure.trend.changes)) for one in texts]
        yield [
            texts[0].label,
            *(f"{one.value_text(one.figure.trend.usual)} {one.unit}" for one in texts),
            *(one.daily_text for one in texts),
            " and ".join(counts),
        ]


def _short_name(read: ReadCampaign) -> str:
    return f"{read.campaign.label} {read.serial}" if read.serial else read.campaign.label
