"""The files that were attached to a recording: listed, and handed on as downloads.

Nothing of them is run or shown as a page: whatever they are called, their type is fixed, they are
downloads, and a browser is told not to guess. A picture, known by its first bytes, may be shown.
"""

import re
from typing import Annotated, Final
from urllib.parse import quote

from fastapi import APIRouter, FastAPI, Query, Response
from pydantic import BaseModel
from starlette.responses import FileResponse

from dashboard.server.dependencies import OpenRecording
from dashboard.server.json_answer import JsonAnswer
from logger.errors import InputError
from logger.outside_text import open_regular
from logger.store.layout.attachment import MediaType, media_type_of
from logger.store.reading.attachments import AttachmentState, content_path, read_attachments

__all__ = ["add_attachment_routes"]

_BEGINNING_BYTES: Final = 16
attachment_routes = APIRouter(prefix="/api/recordings")


class ShownQuery(BaseModel):
    """How an attachment is wanted."""

    picture: bool = False
    """To be shown in the page, where it is a picture; else it is a download all the same."""


@attachment_routes.get("/{name}/attachments")
def list_attachments(recording: OpenRecording) -> JsonAnswer:
    """Answer the files that are attached."""
    stored = read_attachments(recording.path)
    return JsonAnswer({"attachments": [one.to_json() for one in stored]})


@attachment_routes.get("/{name}/attachments/{attachment_id}")
def send_attachment(
    recording: OpenRecording, attachment_id: str, query: Annotated[ShownQuery, Query()]
) -> Response:
    """Send one file as a download; a picture as one where that is wanted."""
    for one in read_attachments(recording.path):
        if one.attachment.id == attachment_id and one.state is AttachmentState.THERE:
            break
    else:
        raise InputError(f"{recording.name}: found no such file attached, or it is gone.")
    path = content_path(recording.path, one.attachment)
    with open_regular(path) as file:
        kind = media_type_of(file.read(_BEGINNING_BYTES))
    shown = query.picture and kind is not MediaType.OTHER
    plain = re.sub(r"[^A-Za-z0-9._-]", "_", one.attachment.name)
    how = "inline" if shown else "attachment"
    named = f"filename=\"{plain}\"; filename*=UTF-8''{quote(one.attachment.name, safe='')}"
    return FileResponse(
        path,
        media_type=str(kind if shown else MediaType.OTHER),
        headers={
            "content-disposition": f"{how}; {named}",
            "x-content-type-options": "nosniff",
            "content-security-policy": "default-src 'none'; sandbox",
        },
    )


def add_attachment_routes(server: FastAPI) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""
    server.include_router(attachment_routes)
