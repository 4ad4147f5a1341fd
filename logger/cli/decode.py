"""`dutytrace decode`: one frame byte by byte."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson
from logger.cli.terminal import Line, Table, show

if TYPE_CHECKING:
    from logger.joint.explain.explain import Explained

__all__ = ["decode_frames"]


def decode_frames(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="The bench file.")],
    frame: Annotated[
        list[str],
        typer.Argument(
            metavar="ID BYTES",
            help="Such as 0x2C3 '41 00 10', in hex; several as '0x2C3 41 00 10' '0x2C3 41 00 11'.",
        ),
    ],
    extended: Annotated[
        bool,
        typer.Option(help="The identifier has 29 bits; above 7FF, or of eight digits, it has."),
    ] = False,
    bus: Annotated[
        str | None, typer.Option(help="The bus that it came on, where the bench has several.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Explain one frame: each byte, each value, and what one frame cannot tell."""
    from logger.joint.bench.bench import read_bench
    from logger.joint.explain.explain import explain_frame
    from logger.joint.explain.typed import parse_typed_frames

    the_bench = read_bench(bench)
    explanations = [
        explanation
        for typed in parse_typed_frames(frame, extended=extended)
        for explanation in explain_frame(the_bench, typed, bus=bus)
    ]
    labels = the_bench.labels
    contents = [explanation.to_json() for explanation in explanations]
    show(
        contents[0] if len(contents) == 1 else {"frames": contents},
        (
            line
            for explanation in explanations
            for line in _frame_lines(explanation, labels[explanation.joint])
        ),
        as_json=as_json,
    )


def _frame_lines(explanation: "Explained", label: str) -> Iterator[Line]:
    yield f"{label}: {explanation.frame}"
    yield Table(
        ("byte", "hex", "binary", "decimal", "belongs to"),
        [
            (
                str(byte.index),
                f"{byte.value:02X}",
                f"{byte.value >> 4:04b} {byte.value & 15:04b}",
                str(byte.value),
                ", ".join(byte.fields) or "nothing that the layout knows",
            )
            for byte in explanation.bytes
        ],
        indent=2,
    )
    yield Table(
        ("value", "raw", "hex", "conversion", "result"),
        [
            (value.name, str(value.raw), value.hex, value.how or "as it is", value.text)
            for value in explanation.values
        ],
        indent=2,
    )
    for remark in explanation.remarks:
        yield f"  {remark}"
