"""How one message is delivered, and why it was not."""

import subprocess
import urllib.error
import urllib.request
from typing import Any

from logger.notify.message import encoded, sentence_of
from logger.notify.settings import Apprise, Command, Target, Webhook

__all__ = ["deliver"]


def deliver(target: Target, content: dict[str, Any]) -> str | None:
    """Deliver a message; return why it was not, None when it was. Never raises."""
    if isinstance(target, Webhook):
        return _post(target, content)
    if isinstance(target, Command):
        return _run(target, content)
    return _apprise(target, content)


def _post(target: Webhook, content: dict[str, Any]) -> str | None:
    request = urllib.request.Request(
        target.url,
        data=encoded(content),
        headers={"Content-Type": "application/json", "User-Agent": "dutytrace", **target.headers},
        method="POST",
    )
    try:
        with urllib.request.urlopen(request, timeout=target.timeout_s) as answer:
            answer.read(1000)
    except urllib.error.HTTPError as fault:
        fault.close()
        return f"it answered {fault.code} {fault.reason}"
    except (OSError, ValueError) as fault:
        return str(getattr(fault, "reason", fault)) or type(fault).__name__
    except Exception as fault:  # noqa: BLE001 - a server may answer anything
        return f"{type(fault).__name__}: {fault}"
    return None


def _run(target: Command, content: dict[str, Any]) -> str | None:
    words = [word.replace("{text}", sentence_of(content)) for word in target.run]
    try:
        done = subprocess.run(
            words,
            input=encoded(content),
            capture_output=True,
            check=False,
            timeout=target.timeout_s,
        )
    except subprocess.TimeoutExpired:
        return f"it took longer than {target.timeout_s:g} s"
    except (OSError, ValueError) as fault:
        return str(fault)
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        return f"it ended with status {done.returncode}{f' ({said[-1]})' if said else ''}"
    return None


def _apprise(target: Apprise, content: dict[str, Any]) -> str | None:
    try:
        import apprise  # noqa: PLC0415 - an optional extra

        sender = apprise.Apprise()
        if not sender.add(target.url):
            return "apprise does not know such an address"
        if not sender.notify(title="dutytrace", body=sentence_of(content)):
            return "apprise could not deliver it"
    except Exception as fault:  # noqa: BLE001 - its plugins raise whatever they meet
        return f"{type(fault).__name__}: {fault}"
    return None
