"""Why a message was not delivered is told in words that anybody may read in the recording."""

from collections.abc import Callable

import pytest

from logger.notify import transports
from logger.notify.settings import Command, Webhook
from logger.notify.transports import deliver_message

SECRET = "hooks.example/T0K3N"
CONTENT = {"text": "x", "time": "2027-01-15T08:00:00.000Z", "recording": "rec"}
TRACEBACK = 'gone\nTraceback (most recent call last):\n  File "/home/ida/tell.py", line 3'


def _raising(fault: Exception) -> Callable[..., None]:
    def raise_it(*_: object, **__: object) -> None:
        raise fault

    return raise_it


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (OSError(13, "Permission denied", "/home/ida/ca.pem"), "Permission denied"),
        (ConnectionResetError(104, "Connection reset by peer"), "Connection reset by peer"),
        (TimeoutError("timed out"), "timed out"),
        (OSError(TRACEBACK), "gone"),
        (ValueError(f"unknown url type: {SECRET}"), "ValueError"),
        (RuntimeError(TRACEBACK), "RuntimeError"),
        (OSError(), "OSError"),
    ],
)
def test_a_webhook_that_raises(monkeypatch: pytest.MonkeyPatch, fault: Exception, words: str):
    """No path, no address with its secrets, no traceback."""
    monkeypatch.setattr(transports._NO_REDIRECTS, "open", _raising(fault))
    target = Webhook(name="hook", url=f"https://{SECRET}")
    monkeypatch.setattr(transports, "message_json", lambda _content: b"{}")
    assert deliver_message(target, CONTENT) == words


def test_a_command_that_is_not_there(monkeypatch: pytest.MonkeyPatch):
    """Its name, not where it was looked for."""
    monkeypatch.setattr(transports, "message_json", lambda _content: b"{}")
    monkeypatch.setattr(transports, "message_text", lambda _content: "x")
    found = deliver_message(Command(name="script", run=("/home/ida/bin/tell-me",)), CONTENT)
    assert found == "tell-me: No such file or directory"
