"""`dutytrace decode`: one frame, or several pasted from a log."""

import json
from pathlib import Path

from tests.support.command import run


def test_decode_of_frames_pasted_from_a_log(tmp_path: Path):
    """Several at once, with what stands before them in such a line; one of nobody ends it."""
    (tmp_path / "bench.toml").write_text(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n',
        encoding="utf-8",
    )
    line = "(1700000000.000000) can0 4D6#60C956004F"
    done = run("decode", str(tmp_path / "bench.toml"), line, "4D6#60C9560050", "--json")
    assert done.returncode == 0, done.stderr
    housing = [
        one["readings"]["temperature_housing_degC"] for one in json.loads(done.stdout)["frames"]
    ]
    assert housing == [24.0, 25.0]
    nobody = run("decode", str(tmp_path / "bench.toml"), line, "111#00")
    assert (nobody.returncode, nobody.stdout) == (2, "")
    assert "identifier of no joint" in nobody.stderr
