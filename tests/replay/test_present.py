"""The present of a live recording is counted on a steady clock."""

from replay.present import PresentClock

S = 1_000_000_000
ROW_NS = 1_795_000_000 * S


def test_a_row_ages_on_the_steady_clock():
    """A row that has just come is as old as the wall clock says, and grows older steadily."""
    clock = PresentClock()
    assert clock.present_ns(ROW_NS, steady_s=50.0, wall_ns=ROW_NS + S // 2) == ROW_NS + S // 2
    assert clock.present_ns(ROW_NS, steady_s=53.0, wall_ns=ROW_NS + 10 * S) == ROW_NS + 7 * S // 2


def test_a_wall_clock_that_is_set_makes_nothing_old():
    """An hour forward between two rows: the new row is young all the same."""
    clock = PresentClock()
    clock.present_ns(ROW_NS, steady_s=50.0, wall_ns=ROW_NS)
    newer_ns = ROW_NS + S
    assert clock.present_ns(newer_ns, steady_s=51.0, wall_ns=newer_ns + 3600 * S) == newer_ns


def test_a_wall_clock_that_was_set_back_makes_nothing_come_from_the_future():
    """A row that the wall clock has not reached yet is of now."""
    clock = PresentClock()
    assert clock.present_ns(ROW_NS, steady_s=5.0, wall_ns=ROW_NS - 60 * S) == ROW_NS


def test_the_age_of_what_was_written_before_the_first_look():
    """Only the wall clock knows it."""
    clock = PresentClock()
    assert clock.present_ns(ROW_NS, steady_s=5.0, wall_ns=ROW_NS + 90 * S) == ROW_NS + 90 * S


def test_rows_that_came_while_nobody_looked_are_as_old_as_the_wall_clock_says():
    """They were not written just now, and what was counted before is not gone on with."""
    clock = PresentClock()
    clock.present_ns(ROW_NS, steady_s=50.0, wall_ns=ROW_NS)
    newer_ns = ROW_NS + 60 * S
    found_ns = clock.present_ns(newer_ns, steady_s=300.0, wall_ns=ROW_NS + 250 * S)
    assert found_ns == ROW_NS + 250 * S
    assert clock.present_ns(newer_ns, steady_s=301.0, wall_ns=0) == ROW_NS + 251 * S
