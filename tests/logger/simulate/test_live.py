"""The joints behind their line: as one object with a made-up clock, and as a process."""

import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import can
import pytest

from logger.errors import InputError
from logger.simulate.line_protocol import CanFrame
from logger.simulate.live import LiveArm, serve_joints
from tests.support.demo_drive import (
    HEALTH,
    MOTION,
    SET_POINTS,
    answer_id,
    asking,
    kind_of,
    question_id,
)

ROOT = Path(__file__).parents[3]
ASK_MOTION = CanFrame(identifier=question_id(3), data=asking(MOTION), length=2)
LENGTHS = {MOTION: 6, SET_POINTS: 5, HEALTH: 5}


class Clock:
    """Seconds that stand until they are set."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        """Return the time."""
        return self.now


def motor_counts(answer):
    """Return the encoder reading of a motion answer."""
    return answer[0].data[4] | (answer[0].data[5] & 0x7F) << 8


def test_only_the_joint_that_is_asked_answers():
    """Identifier and second byte choose joint and kind; anything else stays without an answer."""
    arm = LiveArm(seed=1, speed=1.0, clock=Clock())
    for node in (3, 4):
        for kind, length in LENGTHS.items():
            said = arm.responses_to(CanFrame(identifier=question_id(node), data=asking(kind)))
            assert [(frame.identifier, kind_of(frame.data), len(frame.data)) for frame in said] == [
                (answer_id(node), kind, length)
            ]
    for other in (
        CanFrame(identifier=question_id(5), data=asking(MOTION)),
        CanFrame(identifier=question_id(3), data=asking(3)),
        CanFrame(identifier=question_id(3), data=asking(MOTION) + b"\0"),
        CanFrame(identifier=question_id(3), remote=True, length=2),
        CanFrame(identifier=question_id(3), extended=True, data=asking(MOTION)),
        CanFrame(identifier=answer_id(3), data=asking(MOTION)),
    ):
        assert arm.responses_to(other) == []


def test_the_run_begins_with_the_first_question():
    """However long nobody asked, the first answer is the rest pose, and motion follows."""
    clock = Clock()
    arm = LiveArm(seed=1, speed=1.0, clock=clock)
    clock.now += 500.0
    arm.compute_ahead(lambda: None)
    # 29 deg at the output of a gear of 9: 261 deg of the motor's turn.
    assert motor_counts(arm.responses_to(ASK_MOTION)) == pytest.approx(261 / 360 * 20000, abs=10)
    clock.now += 1.5
    assert motor_counts(arm.responses_to(ASK_MOTION)) == pytest.approx(90 / 360 * 20000, abs=73)


def test_cycles_are_worked_out_ahead():
    """Minutes of questions are answered without one being late."""
    clock = Clock()
    arm = LiveArm(seed=1, speed=1.0, clock=clock)
    arm.responses_to(ASK_MOTION)
    for _ in range(40):
        clock.now += 5.0
        arm.compute_ahead(lambda: None)
        assert len(arm.responses_to(ASK_MOTION)) == 1


def test_held_up_for_long_it_goes_on_where_it_was(caplog):
    """After an hour without the processor the arm goes on in its cycle, and says so."""
    clock = Clock()
    arm = LiveArm(seed=1, speed=1.0, clock=clock)
    arm.responses_to(ASK_MOTION)
    clock.now += 3600.0
    assert len(arm.responses_to(ASK_MOTION)) == 1
    assert "held up" in caplog.text
    arm.compute_ahead(lambda: None)
    clock.now += 1.5
    assert motor_counts(arm.responses_to(ASK_MOTION)) == pytest.approx(90 / 360 * 20000, abs=73)


@pytest.mark.parametrize(("chosen", "message"), [({"speed": 0.0}, "speed"), ({"seed": -1}, "seed")])
def test_settings_out_of_range(tmp_path, chosen, message):
    """A setting out of range is one sentence, and no link is left."""
    settings = {"seed": 1, "speed": 1.0, **chosen}
    with pytest.raises(InputError, match=message):
        serve_joints(
            link=tmp_path / "line",
            clock=time.monotonic,
            stopped=lambda: True,
            ready=lambda _link: None,
            **settings,
        )
    assert not (tmp_path / "line").is_symlink()


def ready_line(process, within_s=30.0):
    """Return the first line of a process's output, or fail after a while."""
    assert select.select([process.stdout], [], [], within_s)[0], "the joints never got ready"
    return process.stdout.readline()


@pytest.fixture
def joints(tmp_path):
    """Start simulated joints as a process; give its link and the process."""
    link = tmp_path / "line"
    process = subprocess.Popen(
        [sys.executable, "-m", "logger.simulate", "--link", str(link), "--seed", "2"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert ready_line(process) == f"ready {link}\n"
        yield link, process
    finally:
        process.terminate()
        process.wait(60)
        process.stdout.close()


def opened(link, **chosen):
    """Open the line as a user of python-can does."""
    return can.Bus(
        interface="slcan", channel=str(link), bitrate=1_000_000, sleep_after_open=0, **chosen
    )


def asked(bus, kind, node=3):
    """Send one question and return the first answer, or None."""
    bus.send(can.Message(arbitration_id=question_id(node), data=asking(kind), is_extended_id=False))
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        message = bus.recv(0.2)
        if message is not None:
            return message
    return None


def test_through_python_can(joints):
    """A real slcan client: version, questions, answers; rubbish before it does no harm."""
    link, _ = joints
    client = os.open(link, os.O_RDWR | os.O_NOCTTY)
    os.write(client, b"\x00rubbish\xff\r\r\rt19")
    os.close(client)
    with opened(link) as bus:
        for node in (3, 4):
            for kind, length in LENGTHS.items():
                message = asked(bus, kind, node)
                assert message is not None
                assert message.arbitration_id == answer_id(node)
                assert (kind_of(message.data), message.dlc) == (kind, length)
        assert bus.get_version(2.0) == (1, 1)


def test_listening_only_gets_no_answer(joints):
    """A client that only listens is refused when it sends, so the silent joints stay silent."""
    link, _ = joints
    with opened(link, listen_only=True) as bus:
        bus.send(
            can.Message(arbitration_id=question_id(3), data=asking(MOTION), is_extended_id=False)
        )
        assert bus.recv(0.5) is None


def test_a_client_may_come_and_go(joints):
    """Closed and opened again, also after a client that just vanished: the answers go on."""
    link, _ = joints
    for _ in range(2):
        with opened(link) as bus:
            assert asked(bus, MOTION) is not None
    vanished = os.open(link, os.O_RDWR | os.O_NOCTTY)
    os.write(vanished, b"O\rt1992C501\rt1992")
    os.close(vanished)
    with opened(link) as bus:
        message = asked(bus, HEALTH)
        # What the vanished one had asked for may still be on its way.
        while message is not None and kind_of(message.data) == MOTION:
            message = bus.recv(5.0)
        assert message is not None
        assert kind_of(message.data) == HEALTH


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(joints, number):
    """SIGTERM or Ctrl-C: exit status 0 soon, and the link is gone."""
    link, process = joints
    process.send_signal(number)
    assert process.wait(60) == 0
    assert not link.is_symlink()


def test_it_ends_with_the_process_that_started_it(tmp_path):
    """Orphaned joints do not stay behind."""
    link = tmp_path / "line"
    starter = (
        "import subprocess, sys\n"
        f"p = subprocess.Popen([sys.executable, '-m', 'logger.simulate', '--link', {str(link)!r}],"
        " stdout=subprocess.PIPE)\n"
        "p.stdout.readline()\n"
        "print('started', flush=True)\n"
        "sys.stdin.readline()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", starter],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        ready_line(parent)
        assert link.is_symlink()
    finally:
        parent.kill()
        parent.wait()
        parent.stdin.close()
        parent.stdout.close()
    until = time.monotonic() + 60.0
    while link.is_symlink() and time.monotonic() < until:
        time.sleep(0.05)
    assert not link.is_symlink()


def test_a_wrong_setting_is_one_sentence(tmp_path):
    """The command line answers a mistake with one line on standard error and exit status 2."""
    (tmp_path / "taken").write_text("")
    done = subprocess.run(
        [sys.executable, "-m", "logger.simulate", "--link", str(tmp_path / "taken")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "expected a free name" in done.stderr
