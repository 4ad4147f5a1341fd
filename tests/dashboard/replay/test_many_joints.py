"""Replay with more joints than pens: the most urgent are drawn, or the chosen ones."""

from pathlib import Path

from dashboard.drawn_joints import drawn_pens
from dashboard.figures.sheet import make_sheet
from dashboard.replay.excursion_rows import excursion_details
from dashboard.replay.recording_list import recording_list
from dashboard.replay.recording_view import DrawOptions, open_view, span_table, window_figure
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import LIGHT
from dashboard.text.units import DEFAULT_DISPLAYS
from dashboard.text.zone import reader_zone
from replay.excursions.applied_limits import recorded_limits
from replay.recording import Recording

OPTIONS = DrawOptions(sheet=make_sheet("normal", 1200, 440), theme=LIGHT)


def joints_of(figure: dict) -> set[tuple[str, int]]:
    """Return which joints a figure draws, and with which pens."""
    return {(trace["meta"]["joint"], trace["meta"]["pen"]) for trace in figure["data"]}


def test_the_most_urgent_are_drawn_and_it_is_said(four_arms: Recording):
    """The tripped one and two in warning, by the same pens in strip, window, list and span."""
    urgent = {("south-shoulder", 1), ("west-shoulder", 2), ("north-elbow", 3)}
    opened = open_view(four_arms, OPTIONS)
    assert opened["drawn"] == "3 of 24 drawn, 21 not"
    assert joints_of(opened["strip"]) == urgent
    assert joints_of(window_figure(four_arms, 0.0, 30.0, OPTIONS)) == urgent
    pens = {(row["joint"], row["pen"]) for row in opened["excursions"]}
    assert pens == urgent
    assert {row["pen"] for row in span_table(four_arms, 0.0, 30.0)["table"]} == {1, 2, 3}
    names = [joint["name"] for joint in opened["joints"]]
    assert names[:4] == ["south-shoulder", "west-shoulder", "north-elbow", "east-gripper"]
    assert sorted(names) == sorted(four_arms.joints)


def test_what_was_chosen_is_drawn(four_arms: Recording):
    """Each joint in its pen; an excursion of another one has none, and details say whose it is."""
    pens = drawn_pens(four_arms, chosen=["", "east-base", "nobody", "west-shoulder"])
    opened = open_view(four_arms, OPTIONS, None, pens)
    assert opened["drawn"] == "2 of 24 drawn, 22 not"
    wanted = {("east-base", 2), ("west-shoulder", 4)}
    assert joints_of(opened["strip"]) == wanted
    assert joints_of(window_figure(four_arms, 0.0, 30.0, OPTIONS, pens=pens)) == wanted
    pen_of = {row["joint"]: row["pen"] for row in opened["excursions"]}
    assert (pen_of["west-shoulder"], pen_of["south-shoulder"]) == (4, 0)
    details = excursion_details(
        four_arms, recorded_limits(four_arms), DEFAULT_DISPLAYS, first=0, count=9
    )
    assert [one["joint"] for one in details] == [row["joint"] for row in opened["excursions"]]


def test_a_row_of_the_list_stays_a_row(four_arms: Recording):
    """Two of its joints are named, the search finds all; its trace is in no pen of theirs."""
    cache = RecordingCache(Path(four_arms.path.parent))
    (row,) = recording_list(cache, reader_zone(""))["rows"]
    assert row["joints"] == "north base, north shoulder and 22 more"
    assert "west-gripper" in row["joint_names"]
    assert "west gripper" in row["joint_labels"]
    assert (row["at"], row["pen"]) == ("south shoulder", 0)
    assert row["warning"] is not None


def test_a_joint_that_is_not_drawn_leaves_no_gap(four_arms: Recording):
    """One that fell silent tints the strip only where it is drawn."""
    for chosen, has_gap in ((None, False), (["east-wrist"], True)):
        pens = drawn_pens(four_arms, chosen=chosen)
        strip = open_view(four_arms, OPTIONS, None, pens)["strip"]
        tints = [shape.get("fillcolor") for shape in strip["layout"]["shapes"]]
        assert (LIGHT.none_tint in tints) is has_gap
