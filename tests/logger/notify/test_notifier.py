"""Delivery somebody: a real HTTP server, up, down, slow or ill; programs; the apprise library."""

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.limits.lifecycle import alerts_from_events
from logger.limits.limit import parse_limits
from logger.notify.delivery_report import DeliveryReport
from logger.notify.message import MessageSource
from logger.notify.notifier import Notifier
from logger.notify.outbox import MAX_MESSAGES, Outbox
from logger.notify.settings import NotifySettings, read_notify
from logger.store.layout.events import Event
from logger.store.reading.reader import RecordingReader
from tests.support.adapter import Adapter
from tests.support.command import run
from tests.support.webhook import Webhook

START_NS = 1_800_000_000_000_000_000


@pytest.fixture
def server() -> Iterator[Webhook]:
    """Give a server on the loopback."""
    made = Webhook()
    yield made
    made.close()


def _event(number: int, *, kind: str = "raised", severity: str = "trip") -> Event:
    return Event(
        sequence=number,
        time_ns=START_NS + number,
        kind=kind,
        joint="shoulder",
        limit="hot",
        severity=severity,
        alert=number,
        text=f"shoulder: number {number}",
    )


def _settings(port: int, **more: object) -> NotifySettings:
    hook = {"name": "desk", "url": f"http://127.0.0.1:{port}/x", **more}
    return NotifySettings.model_validate({"format": 1, "webhook": (hook,)})


def _teller(
    settings: NotifySettings, folder: Path, reports: list[DeliveryReport] | None = None
) -> Notifier:
    return Notifier(
        settings,
        waiting=folder / "waiting",
        source=MessageSource(recording="rec", test="Endurance", simulated=True),
        report=(reports if reports is not None else []).append,
        first_pause_s=0.02,
    )


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_no_delivery(server: Webhook, tmp_path: Path, status: int):
    """It is not followed, its headers go nowhere, and the message is delivered later, whole."""
    server.answers[:] = [status]
    reports: list[DeliveryReport] = []
    notifier = _teller(_settings(server.port, headers={"X-Token": "secret"}), tmp_path, reports)
    notifier.notify_targets(_event(1))
    _until(lambda: len(server.heard) == 1)
    notifier.close()
    assert [message["alert"] for message in server.heard] == [1]
    assert server.followed == []


def _until(true: Callable[[], bool]) -> None:
    until_s = time.monotonic() + 60
    while not true():
        assert time.monotonic() < until_s
        time.sleep(0.01)


def test_a_webhook_is_told_in_order(server: Webhook, tmp_path: Path):
    """Format 1, ISO 8601 time, units, which test; the headers that the file says."""
    teller = _teller(_settings(server.port, headers={"X-Token": "secret"}), tmp_path)
    for number in range(1, 6):
        teller.notify_targets(_event(number))
    _until(lambda: len(server.heard) == 5)
    assert teller.close() == 0
    assert [one["alert"] for one in server.heard] == [1, 2, 3, 4, 5]
    assert server.heard[0] == {
        "format": 1, "recording": "rec", "test": "Endurance", "simulated": True,
        "kind": "raised", "time": "2027-01-15T08:00:00.000Z",
        "joint": "shoulder", "label": "shoulder", "limit": "hot", "limit_text": "",
        "severity": "trip", "alert": 1,
        "channel": "", "value": None, "unit": None, "value_text": "", "duration_s": None, "who": "",
        "stage": "", "changed": None,
        "text": "shoulder: number 1", "token": "secret",
    }  # fmt: skip


def test_what_a_target_does_not_want(server: Webhook, tmp_path: Path):
    """Below its severity, or of another kind: not told."""
    teller = _teller(_settings(server.port, least="trip", of=("raised",)), tmp_path)
    teller.notify_targets(_event(1, severity="warning"))
    teller.notify_targets(_event(2, kind="returned"))
    teller.notify_targets(_event(3, kind="note"))
    teller.notify_targets(_event(4))
    _until(lambda: len(server.heard) == 1)
    assert teller.close() == 0
    assert [one["alert"] for one in server.heard] == [4]


def test_an_acknowledgement_is_told(server: Webhook, tmp_path: Path):
    """By the severity of its alert, as its own event carries it."""
    teller = _teller(_settings(server.port, least="trip", of=("acknowledged",)), tmp_path)
    teller.notify_targets(_event(1, kind="acknowledged", severity="warning"))
    teller.notify_targets(_event(2, kind="acknowledged", severity="trip"))
    _until(lambda: len(server.heard) == 1)
    assert teller.close() == 0
    assert [(one["alert"], one["limit"]) for one in server.heard] == [(2, "hot")]


def test_errors_are_tried_again_and_said_once(server: Webhook, tmp_path: Path):
    """Three errors, then it goes: in order, nothing lost, one sentence each way."""
    server.answers = [500, 503, 404]
    reports: list[DeliveryReport] = []
    teller = _teller(_settings(server.port), tmp_path, reports)
    teller.notify_targets(_event(1))
    _until(lambda: len(server.heard) == 1)
    teller.notify_targets(_event(2, kind="returned"))
    _until(lambda: len(server.heard) == 2)
    assert teller.close() == 0
    assert [one["alert"] for one in server.heard] == [1, 2]
    assert [(one.kind, one.target, one.alert, one.text) for one in reports] == [
        ("telling", "desk", 1, "desk cannot be reached (it answered 500 Internal Server Error). "
         "Trying again."),
        ("telling", "desk", 0, "desk receives messages again."),
        ("notified", "desk", 1, "desk was told."),
    ]  # fmt: skip


def test_each_alert_says_that_its_message_waits(server: Webhook, tmp_path: Path):
    """Not only the first: whoever looks at a later one reads as well that nobody knows of it."""
    server.then = 500
    reports: list[DeliveryReport] = []
    teller = _teller(_settings(server.port), tmp_path, reports)
    teller.notify_targets(_event(1))
    _until(lambda: bool(reports))
    teller.notify_targets(_event(2))
    server.then = 200
    _until(lambda: len(server.heard) == 2)
    assert teller.close() == 0
    waiting = [one.alert for one in reports if one.kind == "telling" and one.alert]
    assert waiting == [1, 2]
    assert [one.alert for one in reports if one.kind == "notified"] == [1, 2]


def test_what_waits_behind_the_first_says_so_too(server: Webhook, tmp_path: Path):
    """Alerts that were raised while the first message was under way, before it failed."""
    server.answers = [500]
    server.may_answer.clear()
    reports: list[DeliveryReport] = []
    teller = _teller(_settings(server.port), tmp_path, reports)
    for number in (1, 2, 3):
        teller.notify_targets(_event(number))
    server.may_answer.set()
    _until(lambda: len(server.heard) == 3)
    assert teller.close() == 0
    assert [one.alert for one in reports if one.kind == "telling" and one.alert] == [1, 2, 3]


def test_limits_that_are_replaced_are_described_as_they_are(server: Webhook, tmp_path: Path):
    """A message never says the level of a limit that is in force no more."""
    teller = _teller(_settings(server.port), tmp_path)
    for level in (80.0, 90.0):
        text = (
            'format = 1\n[[limit]]\nname = "hot"\nkind = "level"\nseverity = "trip"\n'
            f'channel = "temperature_housing_degC"\nabove = {level}\n'
        )
        teller.replace_limits(parse_limits(text, "limits.toml").by_name)
        teller.notify_targets(_event(round(level)))
    _until(lambda: len(server.heard) == 2)
    assert teller.close() == 0
    assert [one["limit_text"] for one in server.heard] == [
        "housing at or above 80 °C",
        "housing at or above 90 °C",
    ]


def test_a_message_of_an_earlier_recording_is_no_news_of_this_one(server: Webhook, tmp_path: Path):
    """What waited since another recording is delivered; its alert has a number of that one."""
    outbox = Outbox(tmp_path / "waiting" / "desk")
    outbox.add_message({"format": 1, "recording": "older", "kind": "raised", "alert": 7})
    reports: list[DeliveryReport] = []
    teller = _teller(_settings(server.port), tmp_path, reports)
    _until(lambda: len(server.heard) == 1)
    assert teller.close() == 0
    assert reports == []


def test_what_waits_survives_a_restart(tmp_path: Path):
    """The server is down; the next recorder delivers it, old before new."""
    server = Webhook(is_up=False)
    reports: list[DeliveryReport] = []
    first = _teller(_settings(server.port), tmp_path, reports)
    first.notify_targets(_event(1))
    first.notify_targets(_event(2))
    _until(lambda: bool(reports))
    assert first.close() == 2
    try:
        server.start()
        second = _teller(_settings(server.port), tmp_path)
        second.notify_targets(_event(3))
        _until(lambda: len(server.heard) == 3)
        assert second.close() == 0
        assert [one["alert"] for one in server.heard] == [1, 2, 3]
    finally:
        server.close()


def test_a_slow_server_holds_up_nobody(server: Webhook, tmp_path: Path):
    """Delivery returns at once, many times over, while the server does not answer."""
    server.may_answer.clear()
    teller = _teller(_settings(server.port), tmp_path)
    for number in range(1, 30):
        teller.notify_targets(_event(number))
    assert len(server.heard) == 0, "the server has not answered once"
    server.may_answer.set()
    teller.close()


def test_a_program_is_told(tmp_path: Path):
    """JSON on standard input, the sentence in an argument, no shell between."""
    script = 'cat > "$1.json"; printf %s "$2" > "$1.txt"'
    target = {
        "name": "script",
        "run": ("/bin/sh", "-c", script, "-", str(tmp_path / "told"), "{text}; $(id)"),
    }
    settings = NotifySettings.model_validate({"format": 1, "command": (target,)})
    teller = _teller(settings, tmp_path)
    teller.notify_targets(_event(1))
    _until((tmp_path / "told.txt").exists)
    assert teller.close() == 0
    assert json.loads((tmp_path / "told.json").read_text("utf-8"))["alert"] == 1
    assert (tmp_path / "told.txt").read_text("utf-8") == (
        "Trip: shoulder: number 1 (simulated joints, test 'Endurance', rec, "
        "2027-01-15T08:00:00.000Z); $(id)"
    )


@pytest.mark.parametrize(
    ("run", "why"),
    [
        (("/nowhere/at-all",), "No such file or directory"),
        (("/bin/sh", "-c", "echo broken >&2; exit 3"), "it ended with status 3 (broken)"),
    ],
)
def test_a_program_that_fails_is_said(tmp_path: Path, run: tuple[str, ...], why: str):
    """Why, in words; the message waits."""
    settings = NotifySettings.model_validate(
        {"format": 1, "command": ({"name": "script", "run": run},)}
    )
    reports: list[DeliveryReport] = []
    teller = _teller(settings, tmp_path, reports)
    teller.notify_targets(_event(1))
    _until(lambda: bool(reports))
    assert why in reports[0].text
    assert teller.close() == 1


# The library imports what Python 3.13 no longer has, with a warning.
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_apprise_library(server: Webhook, tmp_path: Path):
    """Whatever it reaches: here its JSON address, on the loopback."""
    pytest.importorskip("apprise")
    settings = NotifySettings.model_validate(
        {"format": 1, "apprise": ({"name": "any", "url": f"json://127.0.0.1:{server.port}/"},)}
    )
    teller = _teller(settings, tmp_path)
    teller.notify_targets(_event(1))
    _until(lambda: len(server.heard) == 1)
    assert teller.close() == 0
    assert "shoulder: number 1" in str(server.heard[0]["message"])


def test_the_oldest_go_when_too_many_wait(tmp_path: Path):
    """A target that is gone for good does not fill the disk; a torn file costs itself."""
    outbox = Outbox(tmp_path / "x")
    gone = [outbox.add_message({"number": number}) for number in range(MAX_MESSAGES + 3)]
    assert gone == [0] * MAX_MESSAGES + [1, 1, 1]
    assert len(outbox) == MAX_MESSAGES
    name, content = outbox.oldest_message() or ("", {})
    assert content == {"number": 3}
    (tmp_path / "x" / name).write_text("{", encoding="utf-8")
    assert (outbox.oldest_message() or ("", {}))[1] == {"number": 4}
    assert Outbox(tmp_path / "x")._next == outbox._next


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("format = 1", "found no target; expected a [[webhook]], [[command]] or [[apprise]]."),
        (
            'format = 1\n[[webhook]]\nname = "a"\nurl = "ftp://x/y"',
            "webhook[1].url: found 'ftp://x/y', expected an address such as https://host/path.",
        ),
        (
            'format = 1\n[[webhook]]\nname = "a"\nurl = "https://x/y"\nleast = "bad"',
            "webhook[1].least: found 'bad', expected 'warning' or 'trip'.",
        ),
        (
            'format = 1\n[[webhok]]\nname = "a"',
            "webhok: there is no such key. Did you mean 'webhook'?",
        ),
        (
            'format = 1\n[[command]]\nname = "a"\nrun = ["x"]\n'
            '[[webhook]]\nname = "a"\nurl = "https://x/y"',
            "found the name 'a' twice, expected one target of each name.",
        ),
        (
            'format = 1\n[[command]]\nname = "a"\nrun = []',
            "command[1].run: found an empty list, expected",
        ),
    ],
)
def test_mistakes_in_a_tell_file(tmp_path: Path, text: str, sentence: str):
    """File, key, found, expected."""
    path = tmp_path / "tell.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as fault:
        read_notify(path)
    assert str(fault.value).startswith(f"{path}: {sentence}")


def test_a_recorder_tells(server: Webhook, tmp_path: Path):
    """The command itself: a joint that is silent is told while it records, and nothing of whom."""
    files = {
        "bench.toml": '[bus]\ninterface = "slcan"\nchannel = "LINE"\nbitrate = 500000\n'
        '[[joint]]\nname = "shoulder"\nlayout = "harvest-joint"\nnode = 3\n',
        "limits.toml": 'format = 1\n[[limit]]\nname = "silent"\nkind = "silence"\n'
        'severity = "trip"\nafter_s = 0.3\n',
        "tell.toml": 'format = 1\n[[webhook]]\nname = "desk"\n'
        f'url = "http://127.0.0.1:{server.port}/secret-path"\n',
    }
    with Adapter(tmp_path / "line") as adapter:
        for name, text in files.items():
            whole = text.replace("LINE", str(adapter.link))
            (tmp_path / name).write_text(whole, encoding="utf-8")
        done = run(
            *("record", "bench.toml", "--limits", "limits.toml", "--tell", "tell.toml"),
            *("--duration", "2s", "--out", "rec"),
            cwd=tmp_path,
        )
    assert done.returncode == 0, done.stderr
    assert [(one["kind"], one["limit"]) for one in server.heard] == [("raised", "silent")]
    assert server.heard[0]["recording"] == "rec"
    assert not list((tmp_path / "tell.toml.waiting" / "desk").glob("*.json"))
    written = b"".join(
        path.read_bytes() for path in (tmp_path / "rec").rglob("*") if path.is_file()
    )
    assert b"secret-path" not in written


def test_that_nobody_could_be_told_stands_in_the_recording(tmp_path: Path):
    """Next morning the recording says that its messages did not arrive, and why."""
    # Ours, so that nobody else listens there, and nobody does.
    server = Webhook(is_up=False)
    files = {
        "bench.toml": '[bus]\ninterface = "slcan"\nchannel = "LINE"\nbitrate = 500000\n'
        '[[joint]]\nname = "shoulder"\nlayout = "harvest-joint"\nnode = 3\n',
        "limits.toml": 'format = 1\n[[limit]]\nname = "silent"\nkind = "silence"\n'
        'severity = "trip"\nafter_s = 0.3\n',
        "tell.toml": 'format = 1\n[[webhook]]\nname = "desk"\n'
        f'url = "http://127.0.0.1:{server.port}/x"\n',
    }
    with Adapter(tmp_path / "line") as adapter:
        for name, text in files.items():
            whole = text.replace("LINE", str(adapter.link))
            (tmp_path / name).write_text(whole, encoding="utf-8")
        done = run(
            *("record", "bench.toml", "--limits", "limits.toml", "--tell", "tell.toml"),
            *("--duration", "2s", "--out", "rec"),
            cwd=tmp_path,
        )
    server.close()
    assert done.returncode == 0, done.stderr
    events = RecordingReader(tmp_path / "rec").read_events()
    (said,) = [one for one in events if one.kind == "telling"]
    assert said.text.startswith("desk cannot be reached (")
    assert (said.who, said.alert, said.joint, said.limit) == ("desk", 1, "shoulder", "silent")
    assert f"Telling: {said.text}" in done.stdout
    (alert,) = [one for one in alerts_from_events(events) if one.number == 1]
    assert [(one.target, one.delivered_ns, one.fault) for one in alert.deliveries] == [
        ("desk", None, said.text)
    ]
    assert "wait for the next recording" in done.stdout
