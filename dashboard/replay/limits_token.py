"""Other limits in an address: a limits file as a token, so that a link holds what it shows.

The token is the compressed text itself; nothing is stored. A token is only ever parsed as limits; a
broken one, or a small one that would expand to a large text, is an InputError.
"""

import base64
import binascii
import zlib
from typing import Final

from logger.errors import InputError
from logger.limits.limit import LimitSet, parse_limits
from logger.store.layout.request import MAX_LIMITS_TEXT

__all__ = ["MAX_TOKEN_CHARS", "decode_token", "encode_token"]

MAX_TOKEN_CHARS: Final = 30_000
"""Characters; servers and proxies refuse longer addresses."""
_TOKEN_NAME: Final = "limits in the address"


def encode_token(text: str) -> str:
    """Return a limits file as part of an address.

    Raises
    ------
    InputError
        It is too long for one.
    """
    packed = base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")
    length = len(text.encode())
    if length > MAX_LIMITS_TEXT or len(packed) > MAX_TOKEN_CHARS:
        raise InputError(
            f"The limits file is too long for an address: found {length} bytes, which make "
            f"{len(packed)} characters, expected at most {MAX_LIMITS_TEXT} and {MAX_TOKEN_CHARS}. "
            "Take out what you do not want to see."
        )
    return packed


def decode_token(token: str) -> LimitSet:
    """Return the limits of a token.

    Raises
    ------
    InputError
        It is no token, or its text is no limits file.
    """
    return parse_limits(_decode_text(token), _TOKEN_NAME)


def _decode_text(token: str) -> str:
    if len(token) > MAX_TOKEN_CHARS:
        raise _token_error(f"found {len(token)} characters, expected at most {MAX_TOKEN_CHARS}")
    try:
        packed = base64.b64decode(token + "=" * (-len(token) % 4), altchars=b"-_", validate=True)
        reader = zlib.decompressobj()
        text = reader.decompress(packed, MAX_LIMITS_TEXT + 1)
    except (ValueError, binascii.Error, zlib.error):
        raise _token_error("it was cut or changed on its way") from None
    if len(text) > MAX_LIMITS_TEXT:
        raise _token_error(f"it holds more than {MAX_LIMITS_TEXT} bytes")
    if not reader.eof or reader.unused_data:
        raise _token_error("it was cut or changed on its way")
    try:
        return text.decode()
    except UnicodeDecodeError:
        raise _token_error("it holds no text") from None


def _token_error(reason: str) -> InputError:
    return InputError(
        f"The limits in the address (judged=...) cannot be read: {reason}. "
        "Copy the link again, whole."
    )
