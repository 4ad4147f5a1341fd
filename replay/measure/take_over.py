"""Torque per ampere that was measured, taken over into a bench file in place, with its date.

Comments and layout of a person's file stay. What is written is read back before the file is
replaced. Torque that is stored already is not touched: `dutytrace redecode` computes it anew.
"""

import contextlib
import datetime
import os
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from logger.errors import InputError
from logger.joint.bench.bench import read_bench
from logger.settings_file import read_text
from replay.measure.result import MeasuredQuantity

__all__ = ["take_over_torque"]


def take_over_torque(
    path: Path, joint: str, measured: MeasuredQuantity, today: datetime.date
) -> float | None:
    """Write torque per ampere into the table of a joint; return what stood there, None: nothing.

    Raises
    ------
    InputError
        The file cannot be read or written, has no such joint, or would not be valid any more.
    """
    bench = read_bench(path)
    named = [one for one in bench.joints if one.name == joint]
    if not named:
        known = ", ".join(one.name for one in bench.joints)
        raise InputError(
            where=str(path), found=f"no joint {joint!r}", expected=f"one of its joints: {known}"
        )
    before = named[0].torque.per_ampere if named[0].torque else None
    try:
        document = tomlkit.parse(read_text(path, "bench file"))
    except (TOMLKitError, RecursionError, ValueError):
        raise InputError(f"{path}: it cannot be changed in place.") from None
    tables = document.get("joint")
    found = [one for one in tables if one.get("name") == joint] if isinstance(tables, AoT) else []
    if not found:
        raise InputError(
            where=str(path), found=f"{joint!r} in another form", expected="a [[joint]] table of it"
        )
    table = found[0]
    # Five digits: more than any scale bears, and none that a person would not type.
    value = float(f"{measured.value:.5g}")
    if isinstance(table.get("torque"), dict):
        table["torque"]["per_ampere"] = value
    else:
        settings = tomlkit.inline_table()
        settings["from"] = "current"
        settings["per_ampere"] = value
        table["torque"] = settings
    if "\n" not in table["torque"].as_string():
        low, high = measured.interval
        table["torque"].comment(f"measured {today.isoformat()}: {low:.4g} to {high:.4g} N.m/A")
    _replace_file(path, tomlkit.dumps(document))
    return before


def _replace_file(path: Path, text: str) -> None:
    """Write a file aside, read it as a bench file, and only then put it in its place."""
    new_file = path.with_name(f".{path.stem}.aside.toml")
    try:
        new_file.write_text(text, encoding="utf-8")
        read_bench(new_file)
        with new_file.open("rb") as written:
            os.fsync(written.fileno())
        new_file.replace(path)
    except OSError as fault:
        raise InputError(f"{path}: it cannot be written ({fault.strerror or fault}).") from None
    finally:
        with contextlib.suppress(OSError):
            new_file.unlink()
