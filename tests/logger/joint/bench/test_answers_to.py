"""Which frames answer a request: those that it names, or those that are like it."""

import pytest

from logger.errors import InputError
from logger.joint.bench.layout import Layout, parse_layout
from logger.simulate import scenario


def _layout(requests: list[tuple[str, str]], frames: list[str]) -> Layout:
    text = 'format = 1\nname = "x"\n'
    for place, (data, more) in enumerate(requests):
        text += (
            f'[[request]]\nname = "r{place}"\nidentifier = 1\ndata = "{data}"\nperiod_s = 1\n{more}'
        )
    for place, begins in enumerate(frames):
        text += f'[[frame]]\nname = "f{place}"\nidentifier = 2\nbegins = "{begins}"\nlength = 8\n'
    return parse_layout(text, "x.toml")


@pytest.mark.parametrize(
    ("requests", "frames", "answers"),
    [
        # By its leading bytes.
        ([("41", ""), ("42 00", "")], ["41", "42"], [(0,), (1,)]),
        # By name, whatever the bytes are.
        ([("41", 'answer = ["f1"]\n'), ("42", "")], ["41", "42"], [(1,), (1,)]),
        ([("41", 'answer = ["f1", "f0"]\n')], ["41", "42"], [(0, 1)]),
        # The only frame, or all of the only request.
        ([("01", ""), ("02", "")], [""], [(0,), (0,)]),
        ([("01", "")], ["41", "42"], [(0, 1)]),
        # Nobody knows.
        ([("01", ""), ("42", "")], ["41", "42"], [(), (1,)]),
        ([("", ""), ("42", "")], ["41", ""], [(), ()]),
    ],
)
def test_which_frames_answer(
    requests: list[tuple[str, str]], frames: list[str], answers: list[tuple[int, ...]]
):
    """Named, alike, the only ones, or none."""
    layout = _layout(requests, frames)
    assert [layout.response_frames_of(request) for request in layout.request] == answers


def test_the_shipped_joint_answers_each_kind_with_its_own():
    """Its questions name them: they have no leading byte in common."""
    layout = parse_layout(scenario.scenario_layout_text(), "harvest-joint.toml")
    assert [layout.response_frames_of(request) for request in layout.request] == [(0,), (1,), (2,)]


def test_an_answer_that_is_no_frame():
    """Request, found, and the names that there are."""
    with pytest.raises(InputError) as told:
        _layout([("41", 'answer = ["f2"]\n')], ["41", "42"])
    assert "request 'r0': answer: found 'f2', expected the name of a frame" in str(told.value)
    assert "Known: f0, f1." in str(told.value)
