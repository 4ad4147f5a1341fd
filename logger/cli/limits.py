"""`dutytrace limits check` and `limits example`: what limits will do, before they do it."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson
from logger.cli.terminal import Line, say, show

if TYPE_CHECKING:
    from logger.limits.describe import LimitDescription

__all__ = ["check_limits", "print_example_limits"]


def check_limits(
    limits: Annotated[Path, typer.Argument(metavar="FILE", help="The limits file.")],
    bench: Annotated[Path, typer.Option(help="The bench file that it is to watch.")],
    as_json: AsJson = False,
) -> None:
    """Say in words what each limit will do on a bench, or what does not fit."""
    from logger.joint.bench.bench import read_bench
    from logger.limits.describe import describe_limits
    from logger.limits.limit import check_for_bench, read_limits

    the_bench, the_limits = read_bench(bench), read_limits(limits)
    check_for_bench(the_limits, the_bench, str(limits))
    descriptions = describe_limits(the_limits, the_bench)
    show(
        {"limits": [description.to_json() for description in descriptions]},
        _limit_lines(descriptions),
        as_json=as_json,
    )


def print_example_limits() -> None:
    """Print a commented limits file with every kind, to begin with."""
    from logger.limits.kinds import example_text

    say(example_text().rstrip())


def _limit_lines(descriptions: "Sequence[LimitDescription]") -> Iterator[Line]:
    for description in descriptions:
        yield f"{description.name} {description.text}."
        for share in (*description.needs_rated, *description.not_judged):
            yield f"  {share}"
    if not descriptions:
        yield "The file has no limits."
