"""`dutytrace dashboard` and `demo`: what is refused before anything starts."""

import socket
from pathlib import Path

from tests.support.command import assert_refused, run


def test_a_port_in_use(tmp_path: Path):
    """Said before anything starts; the demo records nothing."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert_refused(run("dashboard", "--port", port, cwd=tmp_path), port, "--port")
        done = run("demo", "--no-browser", "--port", port, cwd=tmp_path)
        assert_refused(done, port, "--port")
    assert not (tmp_path / "recordings").exists()
