"""Whether the disk lasts for a whole plan, told once and when it changes."""

import math
from dataclasses import dataclass, field

import pytest

from logger.campaign.plan import parse_plan
from logger.campaign.plan_outlook import PlanOutlook, plan_outlook
from logger.campaign.stage_progress import CampaignState
from logger.event_kind import EventKind
from logger.recording.plan_disk import PlanDisk
from logger.store.writing.disk_forecast import DiskSample

S = 1_000_000_000
DAY_S = 86_400.0
KEEP = "keep = { frames_days = 10 }"
PLAN = 'format = 1\nname = "n"\n{keep}\n[[stage]]\nname = "s"\nduration_s = 1e6\n'


@dataclass
class _Heard:
    """What stands for an event log."""

    told: list[dict[str, object]] = field(default_factory=list)

    def emit(self, kind: EventKind, **fields: object) -> None:
        self.told.append({"kind": kind, **fields})


@dataclass
class _Forecast:
    """A disk whose recorder writes 1 kB of frames and 0.5 kB of all else a second."""

    free_bytes: int | None
    samples: tuple[DiskSample, ...] = (
        DiskSample(span_s=600.0, frame_bytes=600_000, other_bytes=300_000),
        DiskSample(span_s=600.0, frame_bytes=606_000, other_bytes=300_000),
        DiskSample(span_s=600.0, frame_bytes=594_000, other_bytes=300_000),
    )


@dataclass
class _Campaign:
    plan_outlook: PlanOutlook
    keep: str = ""

    @property
    def plan(self) -> object:
        return parse_plan(PLAN.format(keep=self.keep), "plan.toml")


def _plan_disk(free: int, *, keep: str = "", left_days: float = 30.0) -> tuple[PlanDisk, _Heard]:
    outlook = PlanOutlook(left_s=left_days * DAY_S, open_stages=0)
    heard, forecast = _Heard(), _Forecast(free)
    disk = PlanDisk(_Campaign(outlook, keep), forecast, heard, began_ns=0)
    disk.forecast = forecast
    return disk, heard


@pytest.mark.parametrize(
    ("free_gb", "keep", "words"),
    [
        (5.0, "", "it lasts for the plan"),
        (3.0, "", "it does not last for the plan"),
        (3.9, "", "it may not last for the plan"),
        # 30 days of all else, and 10 of frames.
        (3.0, KEEP, "it lasts for the plan"),
        (2.0, KEEP, "it does not last for the plan"),
    ],
)
def test_the_whole_plan_is_held_against_the_free_space(free_gb: float, keep: str, words: str):
    """Some 3.9 GB in thirty days, 2.2 with ten days of frames."""
    disk, heard = _plan_disk(int(free_gb * 1e9), keep=keep)
    disk.do_due(60 * S)
    (told,) = heard.told
    assert words in told["text"]
    is_short = told["kind"] == EventKind.DISK_SHORT
    assert is_short == (words != "it lasts for the plan")
    need_gb = (86.4 * 0.5 * 30 + 86.4 * (10 if keep else 30)) / 1000
    assert told["value"] == pytest.approx(need_gb / free_gb, rel=0.01)
    assert told["duration_s"] == 30 * DAY_S


@pytest.mark.parametrize(
    ("free_gb", "words", "kind"),
    [
        (200.0, "it lasts for the plan", EventKind.DISK_FORECAST),
        (3.9, "it is too early to say whether it lasts", EventKind.DISK_FORECAST),
        (0.3, "it does not last for the plan. Free some room", EventKind.DISK_SHORT),
    ],
)
def test_the_first_seconds_tell_bounds(free_gb: float, words: str, kind: EventKind):
    """Ten seconds of parts: told once, with both ends and no number between; then the rate is."""
    disk, heard = _plan_disk(int(free_gb * 1e9))
    minutes = disk.forecast.samples
    disk.forecast.samples = ()
    disk.do_due(10 * S)
    assert heard.told == []
    disk.forecast.samples = (DiskSample(span_s=10.0, frame_bytes=23_000, other_bytes=150_000),)
    for second in (20, 30, 60):
        disk.do_due(second * S)
    (told,) = heard.told
    assert told["kind"] == kind
    assert math.isnan(told["value"])
    assert "between 0.374 and 89.7 GB, as far as the first seconds tell" in told["text"]
    assert words in told["text"]
    disk.forecast.samples = minutes
    disk.do_due(180 * S)
    assert "3.89 GB (" in heard.told[1]["text"]


def test_it_is_told_again_when_it_changes_for_the_worse_at_once():
    """For the better only after hours: a rate that sways is not told of each minute."""
    disk, heard = _plan_disk(5_000_000_000)
    for minute in range(600):
        disk.forecast.free_bytes = 5_000_000_000 if minute % 2 else 3_000_000_000
        disk.do_due((minute + 1) * 60 * S)
    assert [one["kind"] for one in heard.told] == [
        *(EventKind.DISK_SHORT, EventKind.DISK_FORECAST, EventKind.DISK_SHORT)
    ]


def test_nothing_is_told_of_a_plan_whose_length_nobody_knows():
    """A plan of notes alone, or one that is done."""
    disk, heard = _plan_disk(1, left_days=0.0)
    disk.do_due(60 * S)
    assert heard.told == []


def test_a_plan_takes_what_its_stages_take():
    """Durations, cycles at the present rate; what waits for somebody is counted as open."""
    plan = parse_plan(
        'format = 1\nname = "n"\n[[stage]]\nname = "a"\ncycles = 100\n'
        '[[stage]]\nname = "b"\ncycles = 1000\n[[stage]]\nname = "c"\nduration_s = 500\n'
        '[[stage]]\nname = "d"\nuntil = { note = "done" }\n',
        "plan.toml",
    )
    begun = CampaignState(began_ns=0)
    assert plan_outlook(plan, begun, 10 * S) == PlanOutlook(left_s=500.0, open_stages=3)
    ends = tuple(number * 2 * S for number in range(1, 41))
    running = CampaignState(began_ns=0, cycles=40, recent_ns=ends)
    outlook = plan_outlook(plan, running, ends[-1])
    assert outlook == PlanOutlook(left_s=pytest.approx(60 * 2 + 2000 + 500), open_stages=1)
    done = CampaignState(began_ns=0, stage=4)
    assert plan_outlook(plan, done, 10 * S) == PlanOutlook(left_s=0.0, open_stages=0)
