"""A day of a campaign is told with what changed, whatever becomes of judging it."""

import threading
from pathlib import Path

import pytest

from logger.event_kind import EventKind
from logger.notify.day_verdict import DayVerdict, DayVerdicts, JudgeProcess
from logger.store.layout.events import Event
from tests.support.followed_plan import record_campaign

NOTHING = DayVerdict(text="nothing changed", changed=())


def _day(number: int) -> Event:
    return Event(
        sequence=number,
        time_ns=1_800_000_000_000_000_000 + number,
        kind=EventKind.DAY_OVER,
        joint="a",
        text=f"a: day {number}, cycle 601,332, hottest 68 degC",
    )


class _Judge:
    """Answers what it was told to, once it may."""

    def __init__(self, *answers: DayVerdict | Exception, waits: bool = False) -> None:
        self._answers = list(answers)
        self._may = threading.Event()
        self.asked = threading.Event()
        if not waits:
            self._may.set()

    def judge(self, recording: Path, joint: str) -> DayVerdict:
        """Return the next answer."""
        assert (recording, joint) == (Path("rec"), "a")
        self.asked.set()
        assert self._may.wait(60)
        answer = self._answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def stop(self) -> None:
        """Let it answer."""
        self._may.set()


def _told(judge: _Judge, *days: int) -> list[tuple[str, tuple[str, ...] | None]]:
    told: list[tuple[str, tuple[str, ...] | None]] = []
    verdicts = DayVerdicts(
        Path("rec"), lambda event, changed: told.append((event.text, changed)), judge
    )
    for day in days:
        verdicts.add_day(_day(day))
    assert judge.asked.wait(60)
    verdicts.close()
    return told


def test_a_day_says_what_changed():
    """At the end of its sentence, and as a field."""
    changed = DayVerdict(text="changed: friction_A +3.1 % on day 9", changed=("friction_A",))
    assert _told(_Judge(changed), 12) == [
        (
            "a: day 12, cycle 601,332, hottest 68 degC, changed: friction_A +3.1 % on day 9",
            ("friction_A",),
        )
    ]


def test_nobody_waits_and_no_day_is_lost():
    """A day that is being judged when the recorder ends is told, and those behind it as well."""
    told = _told(_Judge(NOTHING, waits=True), 12, 13)
    assert told[0] == ("a: day 12, cycle 601,332, hottest 68 degC, nothing changed", ())
    assert told[1] == (
        "a: day 13, cycle 601,332, hottest 68 degC, whether a figure changed is not known",
        None,
    )


@pytest.mark.usefixtures("caplog")
def test_a_judge_that_fails_costs_no_message():
    """It is said that nothing is known."""
    ((text, changed),) = _told(_Judge(RuntimeError("ill")), 12)
    assert text.endswith("whether a figure changed is not known")
    assert changed is None


def test_the_command_judges_what_is_recorded(tmp_path: Path):
    """In a process: a minute of cycles is no seven days; without a recording it says why."""
    record_campaign(tmp_path / "rec", [])
    verdict = JudgeProcess().judge(tmp_path / "rec", "a")
    assert verdict == DayVerdict(text="figures are judged after seven days", changed=None)
    absent = JudgeProcess().judge(tmp_path / "absent", "a")
    assert absent.changed is None
    assert "is not known (" in absent.text
    assert "absent" in absent.text


def test_a_judge_that_takes_too_long_is_ended(tmp_path: Path):
    """And one that was stopped begins nothing."""
    late = JudgeProcess(timeout_s=0.0).judge(tmp_path, "a")
    assert "it took longer than" in late.text
    stopped = JudgeProcess()
    stopped.stop()
    assert stopped.judge(tmp_path, "a").text == "whether a figure changed is not known"
