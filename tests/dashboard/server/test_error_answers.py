"""What a page is answered when a route raises."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from dashboard.server.dependencies import provide_services
from dashboard.server.error_answers import add_error_handlers, add_unknown_address_route
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache


@pytest.fixture
def answer_of(tmp_path: Path) -> Callable[[str, OSError], tuple[int, str]]:
    """Return status and sentence of a GET whose route raises an error."""

    def ask(path: str, error: OSError) -> tuple[int, str]:
        server = FastAPI()
        cache = RecordingCache(tmp_path / "recordings", extra_path=tmp_path / "other" / "extra")
        provide_services(server, recordings=cache, guard=OriginPolicy(port=1))
        add_error_handlers(server)

        async def raise_error() -> None:
            raise error

        server.add_api_route(path, raise_error, methods=["GET"])
        add_unknown_address_route(server)
        return asyncio.run(_get(server, path))

    return ask


async def _get(server: FastAPI, path: str) -> tuple[int, str]:
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http", "http_version": "1.1", "method": "GET", "scheme": "http", "path": path,
        "raw_path": path.encode(), "root_path": "", "query_string": b"", "headers": [],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 1),
    }  # fmt: skip
    await server(scope, receive, send)
    body = b"".join(message.get("body", b"") for message in sent)
    return sent[0]["status"], json.loads(body)["fault"]


def test_a_file_of_a_recording_is_said_to_be_one(answer_of, tmp_path: Path):
    """In the folder, or in the recording from elsewhere that was opened by its path."""
    for name in ("recordings", "recordings/arm/events/0.parquet", "other/extra/recording.json"):
        error = OSError(5, "Input/output error", str(tmp_path / name))
        status, sentence = answer_of("/api/recordings", error)
        assert status == 500
        assert sentence.startswith("The recording cannot be read: ")
        assert name in sentence


def test_another_file_is_not_said_to_be_a_recording(answer_of, tmp_path: Path):
    """A stylesheet that is gone, or what lies beside the recordings, is a file of the server."""
    for path, name in (("/assets/look.css", "assets/look.css"), ("/api/x", "other/notes.txt")):
        error = FileNotFoundError(2, "No such file or directory", str(tmp_path / name))
        status, sentence = answer_of(path, error)
        assert status == 500
        assert sentence.startswith("A file of the server cannot be read: ")


def test_without_a_file_name_the_address_decides(answer_of):
    """Arrow names no file: what reads recordings is the API, what reads other files is not."""
    error = OSError("Corrupt snappy compressed data.")
    assert answer_of("/api/recordings", error)[1].startswith("The recording cannot be read: ")
    assert answer_of("/", error)[1].startswith("A file of the server cannot be read: ")
