"""Ending long work from outside: only when asked, and the sentence says what is left."""

import threading
from pathlib import Path

import pytest

from logger.cancellation import UNCHANGED, raise_if_stopped, stopped_error
from logger.errors import OutsideFault


def test_nothing_is_ended_that_nobody_ended():
    """Without a flag, and with one that is not set, work goes on."""
    raise_if_stopped(None, Path("rec"))
    raise_if_stopped(threading.Event(), Path("rec"))


def test_what_is_left_is_told():
    """Of what was made nothing, of what was there all of it."""
    stop = threading.Event()
    stop.set()
    with pytest.raises(OutsideFault, match=r"^rec: stopped before its end; nothing was"):
        raise_if_stopped(stop, Path("rec"))
    with pytest.raises(OutsideFault, match="the recording is as it was"):
        raise_if_stopped(stop, Path("rec"), outcome=UNCHANGED)
    assert isinstance(stopped_error(Path("rec")), OutsideFault)
