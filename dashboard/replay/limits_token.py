"""Other limits in an address: a limits file as a token, so that a link holds what it shows.

The token is the text itself, compressed; nothing is kept anywhere. Whatever stands in an address is
only ever read as limits: a broken token, or a small one that would become large, is a sentence.
"""

import base64
import binascii
import zlib
from typing import Final

from logger.errors import InputError
from logger.limits.limit import LimitSet, limits_from
from logger.store.layout.request import LONGEST_LIMITS

__all__ = ["LONGEST_TOKEN", "limits_of", "token_of"]

LONGEST_TOKEN: Final = 30_000
"""Characters; servers and proxies refuse longer addresses."""
_WHERE: Final = "limits in the address"


def token_of(text: str) -> str:
    """Return a limits file as part of an address.

    Raises
    ------
    InputError
        It is too long for one.
    """
    packed = base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")
    length = len(text.encode())
    if length > LONGEST_LIMITS or len(packed) > LONGEST_TOKEN:
        raise InputError(
            f"The limits file is too long for an address: found {length} bytes, which make "
            f"{len(packed)} characters, expected at most {LONGEST_LIMITS} and {LONGEST_TOKEN}. "
            "Take out what you do not want to see."
        )
    return packed


def limits_of(token: str) -> LimitSet:
    """Return the limits of a token.

    Raises
    ------
    InputError
        It is no token, or its text is no limits file.
    """
    return limits_from(_text_of(token), _WHERE)


def _text_of(token: str) -> str:
    if len(token) > LONGEST_TOKEN:
        raise _broken(f"found {len(token)} characters, expected at most {LONGEST_TOKEN}")
    try:
        packed = base64.b64decode(token + "=" * (-len(token) % 4), altchars=b"-_", validate=True)
        reader = zlib.decompressobj()
        text = reader.decompress(packed, LONGEST_LIMITS + 1)
    except (ValueError, binascii.Error, zlib.error):
        raise _broken("it was cut or changed on its way") from None
    if len(text) > LONGEST_LIMITS:
        raise _broken(f"it holds more than {LONGEST_LIMITS} bytes")
    if not reader.eof or reader.unused_data:
        raise _broken("it was cut or changed on its way")
    try:
        return text.decode()
    except UnicodeDecodeError:
        raise _broken("it holds no text") from None


def _broken(why: str) -> InputError:
    return InputError(
        f"The limits in the address (judged=...) cannot be read: {why}. Copy the link again, whole."
    )
