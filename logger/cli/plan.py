"""`dutytrace plan check`: what the stages of a plan wait for, before anybody waits for them."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson
from logger.cli.terminal import Line, show

if TYPE_CHECKING:
    from logger.campaign.plan_settings import PlanSettings

__all__ = ["check_plan"]


def check_plan(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan file.")],
    bench: Annotated[
        Path | None, typer.Option(help="The bench file that it is for: what can never come there.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say in words what each stage of a plan waits for, or why it would never end."""
    from logger.campaign.plan import check_plan_for_bench, read_plan
    from logger.campaign.plan_words import plan_answer
    from logger.joint.bench.bench import read_bench

    the_plan = read_plan(plan)
    if bench is not None:
        check_plan_for_bench(the_plan, read_bench(bench), str(plan))
    show(
        plan_answer(the_plan), _plan_lines(the_plan, is_checked=bench is not None), as_json=as_json
    )


def _plan_lines(plan: "PlanSettings", *, is_checked: bool) -> Iterator[Line]:
    from logger.campaign.plan_words import cycle_words, keep_words, stage_words

    yield f"{plan.name}: {len(plan.stage)} stage{'s' if len(plan.stage) > 1 else ''}."
    for number, stage in enumerate(plan.stage, start=1):
        yield f"  {number}. {stage.name} {stage_words(stage)}."
    yield cycle_words(plan)
    yield keep_words(plan)
    if not is_checked:
        yield "Whether a joint reports what the stages wait for: --bench BENCH tells."
