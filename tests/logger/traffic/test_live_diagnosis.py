"""Hints while recording: told once when a picture stands, again only after it was gone."""

import numpy as np

from logger.joint.batch import ERROR, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.simulate import scenario
from logger.traffic.bus_statistics import bus_statistics, statistics_plan
from logger.traffic.live_diagnosis import LiveDiagnosis, diagnose_second
from tests.support.demo_drive import answer_id, motion_answer

S = 1_000_000_000
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\nchannel = "x"\nbitrate = 500_000\n'
    '[[joint]]\nname = "shoulder"\nlayout = "harvest-joint"\nnode = 3\n',
    {"harvest-joint": scenario.scenario_layout_text()},
    where="bench.toml",
)


def _second(kind: str) -> FrameBatch:
    if kind == "nothing":
        return FrameBatch.empty()
    flags = ERROR if kind == "errors" else 0
    times = np.linspace(0, S, 50, endpoint=False).astype(int)
    return FrameBatch.from_rows([(int(at), answer_id(3), flags, motion_answer()) for at in times])


def _told(*kinds: str) -> list[tuple[int, str]]:
    state, said = LiveDiagnosis(), []
    for second, kind in enumerate(kinds):
        (found,) = bus_statistics(_second(kind), statistics_plan(BENCH), start_ns=0, end_ns=S)
        sentences, state = diagnose_second(state, found)
        said += [(second, text.split(":")[0].split(".")[0]) for text in sentences]
    return said


def test_a_picture_that_stands_is_told_once():
    """Nothing for three seconds: one sentence, however long it lasts."""
    said = _told(*["well"] * 3, *["nothing"] * 10)
    assert [second for second, _ in said] == [5]
    assert said[0][1].startswith("Nothing at all was heard")


def test_it_is_told_again_after_it_was_gone():
    """A moment without it is none; three seconds are."""
    kinds = ["nothing"] * 3 + ["well"] + ["nothing"] * 5 + ["well"] * 3 + ["nothing"] * 3
    assert [second for second, _ in _told(*kinds)] == [2, 14]


def test_a_moment_is_no_picture():
    """Two seconds of silence or errors are not told; a healthy bus never is."""
    assert _told("nothing", "nothing", "well", "errors", "errors", "well") == []
    assert _told(*["well"] * 20) == []


def test_error_frames_alone_are_named():
    """A wrong bit rate or termination, as it happens."""
    ((second, text),) = _told(*["errors"] * 6)
    assert second == 2
    assert text.startswith("Only error frames were heard")
