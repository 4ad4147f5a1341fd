"""`dutytrace cycles` and `dutytrace campaign`: cycles counted, and whether anything changed."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, FollowingRecordings, JointName, Recording
from logger.cli.terminal import Line, Table, show, show_progress

if TYPE_CHECKING:
    from replay.campaign.campaign import Campaign
    from replay.campaign.cycle_table import CycleTable

__all__ = ["list_cycles", "show_campaign"]


def list_cycles(
    recording: Recording,
    joint: JointName = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            metavar="PLAN",
            help="A plan file: its \\[cycle] says how cycles begin, its joint which one is meant.",
        ),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a line for each cycle as CSV.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Count the cycles of a joint: found by themselves, each with its figures."""
    from logger.campaign.plan import read_plan
    from logger.store.layout.files import write_or_raise
    from replay.campaign.read_cycles import read_cycles
    from replay.heat.options import chosen_joint
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    the_plan = read_plan(plan) if plan is not None else None
    chosen = chosen_joint([opened], joint or (the_plan.joint if the_plan else None))
    with show_progress(f"Reading {recording.name}", 1.0) as at:
        table = read_cycles(
            opened,
            chosen,
            start=the_plan.cycle if the_plan else None,
            report_progress=at,
        )
    if csv is not None:
        text = "".join(f"{line}\n" for line in table.csv_lines()).encode()
        write_or_raise(csv, lambda file: file.write(text), description="table of cycles")
    content = {
        "joint": chosen,
        "counts": {str(kind): count for kind, count in table.counts.items()},
        "cycles": table.to_json() if as_json else [],
    }
    show(content, _cycle_lines(table, csv), as_json=as_json)


def _cycle_lines(table: "CycleTable", csv: Path | None) -> Iterator[Line]:
    from replay.campaign.words import cycle_sentence, figure_rows, kind_sentences

    yield cycle_sentence(table)
    yield from kind_sentences(table)
    yield Table(("of a whole cycle", "median", "lowest", "highest"), figure_rows(table))
    if csv is not None:
        yield f"Wrote {len(table):,} cycles to {csv}."


def show_campaign(
    recordings: FollowingRecordings,
    joint: JointName = None,
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN", help="A plan file; default that which they follow."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what a campaign has come to: did anything change, and what happened on which day."""
    from logger.campaign.plan import read_plan
    from replay.campaign.campaign import read_campaign
    from replay.campaign.campaign_words import campaign_answer
    from replay.heat.options import chosen_joint
    from replay.recording import Recording as Opened

    opened = [Opened.open(one) for one in recordings]
    the_plan = read_plan(plan) if plan is not None else None
    followed = the_plan or next((one.manifest.read_plan(str(one.path)) for one in opened), None)
    chosen = chosen_joint(opened, joint or (followed.joint if followed else None))
    with show_progress("Reading the cycles", 1.0) as at:
        campaign = read_campaign(opened, chosen, plan=the_plan, report_progress=at)
    show(campaign_answer(campaign), _campaign_lines(campaign), as_json=as_json)


def _campaign_lines(campaign: "Campaign") -> Iterator[Line]:
    from replay.campaign.campaign_words import (
        campaign_sentence,
        change_sentences,
        day_rows,
        news_sentences,
        plan_end_sentences,
        running_in_sentences,
        stage_rows,
        trend_rows,
    )

    yield campaign_sentence(campaign)
    yield from news_sentences(campaign)
    for one in campaign.figures:
        for change in one.trend.changes:
            yield from change_sentences(campaign, one, change)
    yield from running_in_sentences(campaign)
    if campaign.stages:
        yield Table(("stage", "begun", "ended", "cycles"), stage_rows(campaign))
        yield from plan_end_sentences(campaign)
    if campaign.figures:
        heads = ("at like temperature", "median of its hours", "a day", "not seen under", "changes")
        yield Table(heads, trend_rows(campaign))
    counted = ("day", "cycles", "broken", "faults", "resets", "brown-outs", "trips", "hottest")
    yield Table(counted, day_rows(campaign))
