"""`dutytrace layout find`, `layout confirm`: a layout proposed of traffic, decided by a person."""

import math
import re
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final

import typer

from logger.cli.options import AsJson, slug
from logger.cli.terminal import say, show
from logger.errors import InputError

__all__ = ["confirm_proposal", "find_layout"]

_SUFFIX: Final = ".proposed.toml"
_FIRST_FRAME_S: Final = 10.0


def find_layout(
    bench: Annotated[
        Path | None,
        typer.Argument(metavar="[BENCH]", help="A bench file: its bus is listened to, live."),
    ] = None,
    log: Annotated[
        Path | None, typer.Option(help="A log that python-can reads, or a recording.")
    ] = None,
    marks: Annotated[
        Path | None,
        typer.Option(help="When the steps were done, and what was typed: a TOML file."),
    ] = None,
    bus: Annotated[str | None, typer.Option(help="Of a recording with several: which bus.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="The proposal file; default NAME.proposed.toml here.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Propose the layout of an unknown drive from its traffic; a person confirms it then."""
    from logger.layout_tools.dbc_import import write_layout_file
    from logger.layout_tools.proposal_file import proposal_file_text
    from logger.layout_tools.proposal_words import bit_map_lines
    from logger.layout_tools.traffic_proposal import (
        proposal_to_file,
        propose_from,
        read_frames,
        read_marks,
    )

    if bench is not None and (log is not None or marks is not None):
        raise InputError(
            "layout find: found a bench file and a log, expected BENCH to do the steps live, or "
            "--log with --marks of steps that were done."
        )
    if bench is None and (log is None or marks is None):
        raise InputError(
            "layout find: found no --log with --marks, expected both (the traffic of the steps, "
            "and when they were done), or a bench file to do them live."
        )
    name = slug(_stem_of(out or log or bench), "layout")
    out = out or Path(f"{name}{_SUFFIX}")
    if not out.name.endswith(_SUFFIX):
        raise InputError(f"--out: found {str(out)!r}, expected a name that ends with {_SUFFIX}.")
    if out.exists():
        raise InputError(
            f"{out}: this file exists and is not overwritten; name another with --out."
        )
    if bench is not None:
        log, marks = _do_steps(bench, out)
    assert log is not None, "checked above"
    assert marks is not None, "checked above"
    given = read_marks(marks)
    found = read_frames(log, bus=bus)
    proposal = propose_from(found, given)
    file = proposal_to_file(proposal, name=name, source=found.source)
    write_layout_file(out, proposal_file_text(file))
    show(
        {"file": str(out), **file.model_dump(mode="json")},
        [
            *bit_map_lines(proposal),
            "",
            "Not decided:",
            *(f"  {one}" for one in file.undecided),
            "",
            f"{out}: written, and refused as a layout until each value is decided. Look at it, "
            f"then: dutytrace layout confirm {out}",
        ],
        as_json=as_json,
    )


def _stem_of(path: Path | None) -> str:
    return "" if path is None else path.name.split(".")[0]


_TYPED: Final = (
    ("ambient_degC", "Temperature of the room in degC"),
    ("supply_V", "Supply voltage in V"),
    ("mass_kg", "Weight in kg"),
    ("arm_m", "Arm of the weight in m"),
)


def _do_steps(bench: Path, out: Path) -> tuple[Path, Path]:
    """Lead through the steps, live; return the log and the marks that were kept."""
    from logger.layout_tools.guided_steps import STEPS, Listener, bench_of_buses, log_text

    stem = out.name.removesuffix(_SUFFIX)
    log, marks = out.with_name(f"{stem}.log"), out.with_name(f"{stem}.marks.toml")
    for path in (log, marks):
        if path.exists():
            raise InputError(
                f"{path}: this file exists and is not overwritten; name another --out."
            )
    typed = [(key, _ask_number(words)) for key, words in _TYPED]
    back = _ask("Which way of the turn counts as positive? [f]irst way or way [b]ack: ")
    lines = [f"{key} = {number!r}" for key, number in typed if number is not None]
    lines.append(f'positive = "{"way back" if back.lower().startswith("b") else "first way"}"')
    spans: list[tuple[str, int, int]] = []
    with Listener(bench_of_buses(bench), str(bench)) as listener:
        _tell("Listening; nothing is sent.")
        if not listener.wait_for_frames(_FIRST_FRAME_S):
            raise InputError(
                f"{bench}: found no frame on the bus in {_FIRST_FRAME_S:g} s, expected those of "
                "the joint; `dutytrace bus` says why."
            )
        for step in STEPS:
            _tell(step.what)
            if _ask("  Enter when it begins, s and Enter to skip it: ").lower().startswith("s"):
                continue
            begun = listener.now_ns()
            _ask("  Enter when it is done: ")
            spans.append((step.name, begun, listener.now_ns()))
            _tell(f"  {listener.count} frames so far.")
    frames = listener.frames()
    if not spans:
        raise InputError("layout find: every step was skipped, expected at least one.")
    first = int(frames.time_ns[0])
    lines += [
        f"{name} = [{max(0.0, (begun - first) * 1e-9):.3f}, {(ended - first) * 1e-9:.3f}]"
        for name, begun, ended in spans
    ]
    with log.open("x", encoding="ascii") as file:
        log_text(frames, file.write)
    marks.write_text("\n".join(lines) + "\n", encoding="utf-8")
    _tell(f"{log} and {marks}: kept; `dutytrace layout find --log {log} --marks {marks}` again.")
    return log, marks


def _tell(text: str) -> None:
    """Say to the person what is no answer of the command."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def _ask(words: str) -> str:
    """Ask, and return the line that is typed."""
    sys.stderr.write(words)
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise InputError("layout find: the terminal was closed before the steps were done.")
    return line.strip()


def _ask_number(words: str) -> float | None:
    while True:
        typed = _ask(f"{words} (Enter: not known): ").replace(",", ".")
        if not typed:
            return None
        try:
            number = float(typed)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            return number
        _tell(f"Found {typed!r}, expected a number, or nothing.")


def confirm_proposal(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The proposal file.")],
    by: Annotated[str, typer.Option(help="Your name; it stays in the layout.")] = "",
    confirm: Annotated[
        str, typer.Option(help="Numbers of values that are right, such as 1,3-5; or all.")
    ] = "",
    leave_out: Annotated[str, typer.Option(help="Numbers of values that are left out.")] = "",
    out: Annotated[Path | None, typer.Option(help="The layout; default NAME.toml.")] = None,
) -> None:
    """Confirm what was proposed, value by value; makes the layout when all are decided."""
    from logger.layout_tools.dbc_import import write_layout_file
    from logger.layout_tools.decided_layout import layout_text
    from logger.layout_tools.proposal_file import (
        decide,
        parse_proposal,
        proposal_file_text,
        undecided_values,
    )
    from logger.settings_file import read_text

    proposal = parse_proposal(read_text(file, "proposal file"), str(file))
    left = undecided_values(proposal)
    chosen = frozenset(left) if confirm.strip() == "all" else _value_numbers(confirm, "--confirm")
    omitted = _value_numbers(leave_out, "--leave-out")
    if confirm.strip() == "all":
        chosen -= omitted
    if not by.strip():
        raise InputError("--by: found no name, expected who says so; it stays in the layout.")
    on = datetime.now(UTC).isoformat(timespec="seconds")
    decided = decide(proposal, confirm=chosen, leave_out=omitted, by=by.strip(), on=on)
    left = undecided_values(decided)
    text, bench = ("", []) if left else layout_text(decided, str(file))
    if text:
        out = out or file.with_name(f"{decided.name}.toml")
        write_layout_file(out, text)
    _replace(file, proposal_file_text(decided))
    if left:
        say(f"{file}: {len(left)} values are not decided yet: {', '.join(map(str, left))}.")
        return
    say(f"{out}: written; every value says who decided it and when.")
    for one in bench:
        say(f"In the bench file: {one}")


def _replace(file: Path, text: str) -> None:
    """Write a file anew, whole or not at all."""
    fresh_file = file.with_name(f".{file.name}.new")
    try:
        fresh_file.write_text(text, encoding="utf-8")
        fresh_file.replace(file)
    except OSError as fault:
        raise InputError(
            f"{file}: cannot be written ({fault.strerror or fault}); the decisions are not kept."
        ) from None


def _value_numbers(text: str, option: str) -> frozenset[int]:
    """Return the numbers of "1,3-5"."""
    numbers: set[int] = set()
    for part in filter(None, re.split(r"[,\s]+", text.strip())):
        match = re.fullmatch(r"(\d{1,4})(?:-(\d{1,4}))?", part)
        if match is None:
            raise InputError(f"{option}: found {part!r}, expected numbers such as 1,3-5.")
        first = int(match[1])
        numbers |= set(range(first, int(match[2] or first) + 1))
    return frozenset(numbers)
