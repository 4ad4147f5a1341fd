import os

import pytest

from logger.errors import InputError
from logger.simulate.serial_line import BACKLOG_BYTES, SerialLine


def test_bytes_go_both_ways_as_they_are(tmp_path):
    """No echo, no newline magic, no control characters: raw."""
    every_byte = bytes(range(256))
    with SerialLine(tmp_path / "line") as line:
        client = os.open(tmp_path / "line", os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(client, every_byte)
            assert line.read(timeout_s=2.0) == every_byte
            line.write(every_byte)
            assert os.read(client, 1000) == every_byte
            assert line.read(timeout_s=0.0) == b""
        finally:
            os.close(client)


def test_the_link_comes_and_goes(tmp_path):
    """The link is there while the line is, and replaces one that was left behind."""
    link = tmp_path / "line"
    link.symlink_to(tmp_path / "gone")
    with SerialLine(link) as line:
        assert str(link.readlink()) == line.terminal
    assert not link.is_symlink()


def test_a_link_that_became_somebody_elses_is_left(tmp_path):
    """Only one's own link is taken away."""
    link = tmp_path / "line"
    with SerialLine(link):
        with SerialLine(link) as second:
            assert str(link.readlink()) == second.terminal
        link.symlink_to(tmp_path / "other")
    assert link.is_symlink()


def test_a_file_is_not_overwritten(tmp_path):
    """Where something else stands at that name: one sentence, and it stays."""
    (tmp_path / "line").write_text("mine")
    with pytest.raises(InputError, match="expected a free name"):
        SerialLine(tmp_path / "line")
    assert (tmp_path / "line").read_text() == "mine"


def test_a_folder_that_is_not_there(tmp_path):
    """A link that cannot be made is said in one sentence."""
    with pytest.raises(InputError, match="cannot be made"):
        SerialLine(tmp_path / "no" / "line")


def test_a_client_that_does_not_read_loses_whole_answers(tmp_path):
    """Answers are dropped whole and counted; what arrives is made of whole lines."""
    with SerialLine(tmp_path / "line") as line:
        client = os.open(tmp_path / "line", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            for number in range(4000):
                line.write(b"t2C38%016d\r" % number)
            assert line.dropped_bytes > 0
            got = bytearray()
            for _ in range(100):
                line.read(timeout_s=0.0)
                try:
                    got += os.read(client, 65536)
                except BlockingIOError:
                    break
            lines = bytes(got).split(b"\r")
            assert lines.pop() == b""
            assert all(len(text) == 21 for text in lines)
            assert len(lines) + line.dropped_bytes == 4000
            assert len(got) > BACKLOG_BYTES
        finally:
            os.close(client)
