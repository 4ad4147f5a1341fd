"""Attaches a file to a recording: live through the inbox, finished as a note is written."""

import secrets
import time
from pathlib import Path

from logger.errors import InputError, OutsideFault
from logger.outside_text import UnusualFileError
from logger.store.layout.attachment import (
    MAX_ATTACHMENT_BYTES,
    Attachment,
    is_attachment_name,
)
from logger.store.layout.files import is_outside_fault
from logger.store.layout.manifest import read_manifest
from logger.store.layout.request import EventRequest
from logger.store.repair.post_request import post_request
from logger.store.writing.attachment_files import copy_to_inbox

__all__ = ["attach_file"]


def attach_file(
    recording: Path, source: Path, *, name: str, time_ns: int, who: str = ""
) -> Attachment:
    """Attach a file to a recording at the time that it shows, and return it as it is kept.

    Raises
    ------
    InputError
        It is no recording, the file cannot be read, is too large, or its name is none.
    OutsideFault
        The disk took no more; nothing was attached.
    """
    read_manifest(recording)
    if source.is_dir():
        raise InputError(f"{source}: found a folder, expected a file; nothing was attached.")
    if not is_attachment_name(name):
        raise InputError(
            f"{source}: found the name {name!r}, expected one without a folder, that is not "
            "hidden, of at most 120 letters. Choose another with --name."
        )
    try:
        size = source.stat().st_size
        if size > MAX_ATTACHMENT_BYTES:
            raise InputError(
                f"{source}: found {size:,} bytes, expected at most {MAX_ATTACHMENT_BYTES:,} "
                f"({MAX_ATTACHMENT_BYTES >> 20} MB). Keep what is larger elsewhere, and note where."
            )
        sha256, size = copy_to_inbox(recording, source, max_bytes=MAX_ATTACHMENT_BYTES)
    except UnusualFileError as fault:
        raise InputError(f"{source}: {fault.strerror}; nothing was attached.") from None
    except OSError as fault:
        kind = OutsideFault if is_outside_fault(fault) else InputError
        raise kind(
            f"{source}: cannot be attached ({fault.strerror or fault}); nothing was attached."
        ) from fault
    attachment = Attachment(
        id=secrets.token_hex(16),
        name=name,
        sha256=sha256,
        size=size,
        time_ns=time_ns,
        made_ns=time.time_ns(),
        who=who[:80],
    )
    post_request(
        recording,
        EventRequest(
            kind="attachment",
            text=f"{name} was attached.",
            who=attachment.who,
            at_ns=time_ns,
            attachment=attachment.id,
            sha256=sha256,
            content=attachment.model_dump_json(),
        ),
    )
    return attachment
