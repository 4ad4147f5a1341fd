"""What a request leaves beside the rows: a finding, or a file that is attached."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

from logger.store.layout.request import EventRequest
from logger.store.writing.attachment_files import place_attachment
from logger.store.writing.finding_files import write_finding_file

__all__ = ["file_of_request"]


def file_of_request(request: EventRequest) -> Callable[[Path], object] | None:
    """Return what writes it, given the recording's folder; None where a request leaves none.

    It may be called again: the same request may come twice after a crash. It raises OSError.
    """
    if request.content is None:
        return None
    content = request.content.encode()
    if request.kind == "finding" and request.finding:
        return partial(write_finding_file, finding_id=request.finding, content=content)
    if request.kind == "attachment" and request.attachment and request.sha256:
        return partial(
            place_attachment,
            attachment_id=request.attachment,
            sha256=request.sha256,
            content=content,
        )
    return None
