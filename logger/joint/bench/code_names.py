"""How a settings file names the codes of a field: by value, value/mask or bit. Pure.

`parse_code` reads such a key; `CodeNames` and `FlagNames` are the checked tables. codes.py turns
a received code into these words.
"""

import re
from typing import Annotated, Final

from pydantic import AfterValidator

from logger.settings_file import SettingError

__all__ = ["CODE_BITS", "RAW_NUMBER", "CodeNames", "FlagNames", "parse_code"]

CODE_BITS: Final = 32
RAW_NUMBER: Final = r"-?(?:0[xX][0-9a-fA-F]+|[0-9]+)"
_CODE_PATTERN = re.compile(rf"\s*(?P<code>{RAW_NUMBER})\s*(?:/\s*(?P<mask>{RAW_NUMBER})\s*)?")


def parse_code(written: str) -> tuple[int, int | None]:
    """Return code and mask of a key such as "5", "0x27" or "0x40/0x4F"; ValueError if it is none.

    No mask: the whole value.
    """
    match = _CODE_PATTERN.fullmatch(written)
    if match is None:
        raise SettingError(
            "", found=f"{written!r}", expected="a code such as 5, 0x27 or '0x40/0x4F' (code/mask)"
        )
    return int(match["code"], 0), int(match["mask"], 0) if match["mask"] else None


def _check_code_names(names: dict[str, str]) -> dict[str, str]:
    for written, name in names.items():
        code, mask = parse_code(written)
        if mask is not None and code & ~mask:
            raise SettingError(
                "", f"{written!r}: found bits of the code outside its mask; it would fit no value."
            )
        if not name:
            raise SettingError("", f"{written!r}: found an empty name, expected a word.")
    return names


def _check_flag_names(flags: dict[str, str]) -> dict[str, str]:
    for written, name in flags.items():
        if not written.isdecimal() or int(written) >= CODE_BITS:
            raise SettingError(
                "", found=f"{written!r}", expected=f"the number of a bit, 0 to {CODE_BITS - 1}"
            )
        if not name:
            raise SettingError("", f"{written!r}: found an empty name, expected a word.")
    return flags


CodeNames = Annotated[dict[str, str], AfterValidator(_check_code_names)]
FlagNames = Annotated[dict[str, str], AfterValidator(_check_flag_names)]
