"""A recording made of a table on the pages: Replay shows it, Bus says that it has none."""

import json
from collections.abc import Callable
from pathlib import Path

from logger.importing.tables.import_table import import_table, table_bench, value_table
from logger.limits.limit import parse_limits
from logger.store.repair.post_request import submit_request

LIMITS = """
format = 1
[[limit]]
name = "strong"
kind = "level"
severity = "warning"
channel = "current_A"
above = 5.0
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 20.0
"""


def test_replay_shows_it_and_bus_says_that_it_has_none(
    serve: Callable[..., str], get: Callable[..., tuple[int, str]], tmp_path: Path
):
    """Overview, rows, a span, excursions; a note in it. Without a bus there is a sentence."""
    table = tmp_path / "arm.csv"
    rows = "".join(f"{1_795_000_000 + at},{at % 7},{40 + at / 100}\n" for at in range(600))
    table.write_text(f"t,I1,T1\n{rows}", encoding="utf-8")
    columns = {"shoulder": {"current_A": "I1", "temperature_housing_degC": "T1"}}
    bench = table_bench("", {"time": ["t"]}, columns, "arm.csv")
    (tmp_path / "recordings").mkdir()
    import_table(
        value_table(bench, table), bench=bench, limits=parse_limits(LIMITS, "limits.toml"),
        out=lambda _first_ns: tmp_path / "recordings" / "arm", name="arm",
    )  # fmt: skip
    submit_request(tmp_path / "recordings" / "arm", kind="note", text="seen")
    address = serve(tmp_path / "recordings")
    at = f"{address}/api/recordings/arm"
    listed = json.loads(get(f"{address}/api/recordings")[1])["rows"]
    assert [(row["name"], row["joints"]) for row in listed] == [("arm", "shoulder")]
    for route in (
        "overview", "window?start=0&end=600&width=900", "span?start=10&end=20",
        "excursions?first=0&count=40",
    ):  # fmt: skip
        status, text = get(f"{at}/{route}")
        assert status == 200, (route, text)
    window = json.loads(get(f"{at}/window?start=0&end=60&width=900")[1])
    assert "current at or above 5 A" in json.dumps(window)
    status, text = get(f"{at}/bus")
    assert status == 404
    assert json.loads(text)["fault"] == (
        "arm: it has no bus, for its readings come from a table of values."
    )
