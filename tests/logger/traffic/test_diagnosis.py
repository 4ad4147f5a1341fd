"""Known pictures in words; nothing is hinted at on a bus that is as it should be."""

from dataclasses import replace

import pytest

from logger.joint.bench.bench import BusSettings
from logger.traffic.bus_statistics import BusStatistics
from logger.traffic.cadence import MessageStats
from logger.traffic.diagnosis import hint_sentences, unclaimed_sentence

SETTINGS = BusSettings(interface="slcan", channel="/dev/ttyACM0", bitrate=500_000)
SHOULDER = MessageStats(
    identifier=0x283,
    extended=False,
    remote=False,
    role="joint",
    joints=("shoulder",),
    frame="status",
    count=500,
    period_s=0.01,
    jitter_s=1e-5,
    jitter_95_s=1e-5,
    longest_gap_s=0.011,
    last_s=0.005,
)
WELL = BusStatistics(
    settings=SETTINGS,
    span_s=5.0,
    frames=1000,
    frames_per_s=200.0,
    load=0.05,
    fd_frames=0,
    remote_frames=0,
    error_frames=0,
    messages=(SHOULDER,),
    undecoded={"identifier of no joint": 500},
    joints=("shoulder", "elbow"),
)
NOTHING = replace(
    WELL, frames=0, frames_per_s=0.0, load=0.0, messages=(), undecoded={},
    silent=("shoulder", "elbow"),
)  # fmt: skip


def _one(figures: BusStatistics) -> str:
    (text,) = hint_sentences(figures)
    return text


def test_a_healthy_bus_is_left_in_peace():
    """Frames of strangers and remote frames are no fault."""
    assert hint_sentences(replace(WELL, remote_frames=5)) == ()


def test_nothing_at_all():
    """Power, bit rate, wiring, and termination at both ends; the bench's bit rate is named."""
    text = _one(NOTHING)
    assert text.startswith("Nothing at all was heard. Look at the power")
    for word in ("500_000", "wiring", "120 Ω at both ends"):
        assert word in text
    unknown = replace(NOTHING, settings=SETTINGS.model_copy(update={"bitrate": None}))
    assert "names none" in _one(unknown)


@pytest.mark.parametrize(
    ("setting", "words"), [({"send": False}, "only where"), ({"send": True}, "since")]
)
def test_joints_that_answer_only_when_asked(setting: dict[str, bool], words: str):
    """Nothing was asked here: their silence may mean just that; the rest is said after an if."""
    asked = replace(
        NOTHING,
        only_requested=("shoulder", "elbow"),
        settings=SETTINGS.model_copy(update=dict(setting)),
    )
    nothing, quiet = hint_sentences(asked)
    assert "If a joint should report by itself: look at" in nothing
    assert quiet.startswith("shoulder and elbow answer only when asked, and nothing was asked")
    assert words in quiet


def test_error_frames_only():
    """Bit rate or termination; another bit rate only with an adapter that is silent."""
    text = _one(replace(NOTHING, error_frames=40))
    assert text.startswith("Only error frames were heard: the bit rate")
    assert "termination" in text
    assert "disturbs the bus" in text


def test_some_error_frames():
    """Beside frames they point to plugs, stubs and termination."""
    assert _one(replace(WELL, error_frames=3)).startswith("3 error frames beside 1000 frames")


@pytest.mark.parametrize(
    ("setting", "words"),
    [({}, "bus.acknowledge = true"), ({"send": True}, "only listened"),
     ({"acknowledge": True}, "does not seem to")],
)  # fmt: skip
def test_nobody_acknowledges(setting: dict[str, bool], words: str):
    """One frame without a pause; what mends it depends on what the bench file allows."""
    text = _one(
        replace(WELL, flooding=SHOULDER, settings=SETTINGS.model_copy(update=dict(setting)))
    )
    assert text.startswith("0x283 (shoulder) repeats one frame without a pause: nobody ack")
    assert words in text


def test_a_silent_joint_among_others():
    """Its power, plug and node number, unless a better reason is known."""
    text = _one(replace(WELL, silent=("elbow",)))
    assert text == ("elbow is silent while others talk: look at its power, plug and node number.")
    assert _one(replace(WELL, silent=("elbow",), only_requested=("elbow",))).startswith(
        "elbow answers only when asked"
    )
    assert _one(replace(WELL, silent=("elbow",), on_other_bus={"elbow": "right"})) == (
        "Heard on another bus than the bench file says: elbow on right. Are two plugs or two "
        "adapters swapped?"
    )


def test_sentences_call_joints_by_their_labels():
    """Every hint that names a joint does it as people call it; figures keep its name."""
    labelled = replace(WELL, labels={"shoulder": "left shoulder", "elbow": "left elbow"})
    message = replace(SHOULDER, frame=None)
    stopped = replace(SHOULDER, last_s=3.0)
    gap = replace(SHOULDER, longest_gap_s=0.6)
    for figures in (
        replace(labelled, silent=("elbow",)),
        replace(labelled, silent=("elbow",), only_requested=("elbow",)),
        replace(labelled, silent=("elbow",), on_other_bus={"elbow": "right"}),
        replace(labelled, silent=("shoulder",), messages=(message,)),
        replace(labelled, messages=(SHOULDER, message)),
        replace(labelled, messages=(stopped,)),
        replace(labelled, messages=(gap,)),
        replace(labelled, flooding=SHOULDER),
        replace(labelled, request_counts={"elbow": 9}, unanswered_counts={"elbow": 5}),
    ):
        text = _one(figures)
        assert "left " in text
        assert "shoulder" not in text.replace("left shoulder", "")
        assert "elbow" not in text.replace("left elbow", "")


def test_heard_but_never_fitting():
    """The identifier comes and no frame fits: that is the layout, not the wiring."""
    unfit = replace(SHOULDER, frame=None, joints=("elbow",), identifier=0x284)
    text = _one(replace(WELL, silent=("elbow",), messages=(SHOULDER, unfit)))
    assert text.startswith("Heard, but no frame fits its layout: 0x284 of elbow.")
    assert (
        hint_sentences(replace(WELL, messages=(SHOULDER, replace(unfit, role="set-point")))) == ()
    )


def test_one_that_stopped():
    """Ten periods and half a second without it at the end; a slow one is not taken for stopped."""
    text = _one(replace(WELL, messages=(replace(SHOULDER, last_s=2.25),)))
    assert text == (
        "Stopped during the measurement: shoulder, status (0x283), 2.2 s before the end."
    )
    slow = replace(SHOULDER, period_s=1.0, last_s=2.25)
    assert hint_sentences(replace(WELL, messages=(slow, replace(SHOULDER, last_s=0.4)))) == ()


def test_a_full_bus():
    """Above 80 %; with CAN FD the figure is an upper bound, and that is said."""
    assert hint_sentences(replace(WELL, load=0.8)) == ()
    assert _one(replace(WELL, load=0.86)).startswith("The bus is busy for 86% of the time; above")
    assert "at most" in _one(replace(WELL, load=0.86, fd_frames=3))
    assert hint_sentences(replace(WELL, load=None)) == ()


@pytest.mark.parametrize(
    ("interface", "options", "words"),
    [
        ("lines", {"pattern": "{id} {data}", "baud": 9600}, ("{id} {data}", "9600 baud")),
        ("slcan", {}, ("speed of the adapter's port", "slcan")),
        ("gs_usb", {}, ("driver", "gs_usb")),
    ],
)
def test_bytes_but_no_frame(interface: str, options: dict[str, object], words: tuple[str, ...]):
    """Something was heard: it is the pattern, the speed or the protocol, not the power."""
    settings = BusSettings(interface=interface, channel="x", options=options)
    text = _one(replace(NOTHING, settings=settings, garbled=1_760_000))
    assert text.startswith("Bytes arrive, but no frame: 1760000 lines or frames could not be read")
    assert "Nothing at all" not in text
    assert "power of the joints" not in text
    for word in words:
        assert word in text


def test_some_lines_among_frames():
    """A cable or a buffer, beside what else it may be."""
    text = _one(replace(WELL, garbled=12))
    assert text.startswith("12 lines or frames could not be read beside 1000 frames")


def test_frames_of_nobody_are_no_fault_but_are_told():
    """Who reads the verdict learns the share and the identifiers; few of them are left alone."""
    strangers = [
        replace(SHOULDER, identifier=0x700 + at, role="unknown", joints=(), frame=None, count=50)
        for at in range(6)
    ]
    heard = replace(WELL, messages=(SHOULDER, *strangers))
    assert hint_sentences(heard) == ()
    assert unclaimed_sentence(heard) == (
        "30% of the frames are not decoded: no joint of the bench has their identifier "
        "(0x700, 0x701, 0x702, 0x703 and 2 more)."
    )
    assert unclaimed_sentence(replace(WELL, messages=(SHOULDER, strangers[0]))) == ""


def test_frames_of_a_joint_that_do_not_fit():
    """One that is decoded otherwise; a stray one, a remote one, a silent joint are not told."""
    unfit = replace(SHOULDER, frame=None, count=170)
    assert _one(replace(WELL, messages=(SHOULDER, unfit))).startswith(
        "Frames that fit no frame of the joint's layout: 0x283 of shoulder 170 of 670."
    )
    for other in (
        replace(unfit, count=3), replace(unfit, remote=True), replace(unfit, role="request"),
    ):  # fmt: skip
        assert hint_sentences(replace(WELL, messages=(SHOULDER, other))) == ()


def test_a_gap_in_regular_frames():
    """Of 300 ms in frames of 10 ms; not in slow ones, nor in those that come as they like."""
    gap = replace(SHOULDER, longest_gap_s=0.3)
    assert _one(replace(WELL, messages=(gap,))).startswith(
        "Regular frames were missing for a while, at the longest: shoulder, status (0x283) every "
        "10 ms, for 0.30 s."
    )
    for other in (
        replace(gap, period_s=0.1), replace(gap, jitter_95_s=0.02), replace(gap, count=5),
        replace(gap, longest_gap_s=0.09), replace(gap, period_s=None, jitter_95_s=None),
    ):  # fmt: skip
        assert hint_sentences(replace(WELL, messages=(other,))) == ()
    stopped = replace(gap, longest_gap_s=2.0, last_s=2.0)
    assert _one(replace(WELL, messages=(stopped,))).startswith("Stopped during")
