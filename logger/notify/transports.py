"""Delivers one message: an HTTP POST, a program, or through the apprise library."""

import subprocess
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any, Final

from logger.notify.message import message_json, message_text
from logger.notify.settings import Apprise, Command, NotifyTarget, Webhook

__all__ = ["deliver_message"]


class _RefuseRedirects(urllib.request.HTTPRedirectHandler):
    """Makes of an answer 3xx what it is for a message: no delivery.

    Following it would turn the POST into a GET without its body, and hand the headers, secrets
    among them, to another address.
    """

    def redirect_request(self, *_: object) -> None:
        """Follow none: the answer becomes an `HTTPError` with its status."""
        return


_NO_REDIRECTS: Final = urllib.request.build_opener(_RefuseRedirects)


def deliver_message(target: NotifyTarget, content: dict[str, Any]) -> str | None:
    """Deliver a message; return None, or in words why it was not delivered. Never raises."""
    if isinstance(target, Webhook):
        return _post_webhook(target, content)
    if isinstance(target, Command):
        return _run_command(target, content)
    return _send_apprise(target, content)


def _post_webhook(target: Webhook, content: dict[str, Any]) -> str | None:
    request = urllib.request.Request(
        target.url,
        data=message_json(content),
        headers={"Content-Type": "application/json", "User-Agent": "dutytrace", **target.headers},
        method="POST",
    )
    try:
        with _NO_REDIRECTS.open(request, timeout=target.timeout_s) as answer:
            answer.read(1000)
            if not 200 <= answer.status < 300:
                return f"it answered {answer.status} {answer.reason}"
    except urllib.error.HTTPError as fault:
        fault.close()
        return f"it answered {fault.code} {fault.reason}"
    except Exception as fault:  # noqa: BLE001 - a server may answer anything
        return _fault_words(fault)
    return None


def _run_command(target: Command, content: dict[str, Any]) -> str | None:
    words = [word.replace("{text}", message_text(content)) for word in target.run]
    try:
        completed = subprocess.run(
            words,
            input=message_json(content),
            capture_output=True,
            check=False,
            timeout=target.timeout_s,
        )
    except subprocess.TimeoutExpired:
        return f"it took longer than {target.timeout_s:g} s"
    except (OSError, ValueError) as fault:
        return f"{Path(words[0]).name}: {_fault_words(fault)}"
    if completed.returncode:
        output = completed.stderr.decode(errors="replace").strip().splitlines()
        return f"it ended with status {completed.returncode}{f' ({output[-1]})' if output else ''}"
    return None


def _send_apprise(target: Apprise, content: dict[str, Any]) -> str | None:
    try:
        import apprise  # noqa: PLC0415 - an optional extra

        sender = apprise.Apprise()
        if not sender.add(target.url):
            return "apprise does not know such an address"
        if not sender.notify(title="dutytrace", body=message_text(content)):
            return "apprise could not deliver it"
    except Exception as fault:  # noqa: BLE001 - its plugins raise whatever they meet
        return _fault_words(fault)
    return None


def _fault_words(fault: BaseException) -> str:
    """Return what went wrong in a few words, without what concerns only this machine.

    They become an event of the recording, which others will read. An exception's own text may hold
    an address with its secrets, a path, or a whole traceback.
    """
    reason = getattr(fault, "reason", fault)
    if isinstance(reason, OSError):
        lines = (reason.strerror or ("" if reason.filename else str(reason))).splitlines()
        return lines[0] if lines else type(reason).__name__
    return type(fault).__name__
