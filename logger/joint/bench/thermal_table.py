"""The table `thermal` of a joint put into the text of its bench file, in place.

Comments and layout of a person's file stay. Pure.
"""

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from logger.errors import InputError
from logger.joint.bench.thermal_settings import ModelFinding, ThermalSettings

__all__ = ["text_with_thermal"]


def text_with_thermal(text: str, where: str, joint: str, settings: ThermalSettings) -> str:
    """Return the text of a bench file with the table of a joint, in place of the one that it has.

    Raises
    ------
    InputError
        It cannot be changed in place, or has no such joint; `where` names the file.
    """
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError):
        raise InputError(f"{where}: it cannot be changed in place.") from None
    tables = document.get("joint")
    named = [one for one in tables if one.get("name") == joint] if isinstance(tables, AoT) else []
    if not named:
        raise InputError(
            where=where, found=f"no [[joint]] named {joint!r}", expected="one, to write it to"
        )
    named[0]["thermal"] = _toml_table(settings)
    return tomlkit.dumps(document)


def _toml_table(settings: ThermalSettings) -> Table:
    table = tomlkit.table()
    # In the order of the model's own keys, so that the same model is the same text.
    for key in ThermalSettings.model_fields:
        value = getattr(settings, key)
        if key not in settings.model_fields_set or value is None or value == ():
            continue
        if isinstance(value, ModelFinding):
            whence = tomlkit.inline_table()
            whence.update(value.model_dump())
            table.add(key, whence)
            continue
        if key != "log_covariance":
            table.add(key, value)
            continue
        rows = tomlkit.array()
        rows.multiline(multiline=True)
        rows.extend([list(row) for row in value])
        table.add(key, rows)
    return table
