"""Every public name of the library has an example in its docstring, and each is run."""

import doctest
import inspect
from pathlib import Path

import pytest

import dutytrace
from replay.library import recording_list, recording_tables
from tests.contracts.tree import ROOT

PUBLIC = {
    "dutytrace.recordings": recording_list.list_recordings,
    "dutytrace.open": recording_tables.open_recording,
    **{
        name: member
        for name, member in vars(recording_tables.RecordingTables).items()
        if not name.startswith("_") and (inspect.isfunction(member) or isinstance(member, property))
    },
}


@pytest.mark.parametrize("name", PUBLIC)
def test_its_example_runs(name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """On the recording that comes with the source, whatever else lies beside it."""
    shipped = tmp_path / "recordings" / "demo-overheat"
    shipped.parent.mkdir()
    shipped.symlink_to(ROOT / "recordings" / "demo-overheat", target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    recording = dutytrace.open("recordings/demo-overheat")
    scope = {"dutytrace": dutytrace, "recording": recording}
    parsed = doctest.DocTestParser().get_doctest(
        inspect.getdoc(PUBLIC[name]) or "", scope, "example", None, None
    )
    assert parsed.examples, f"{name} has no example"
    runner = doctest.DocTestRunner(verbose=False)
    output: list[str] = []
    runner.run(parsed, out=output.append)
    assert runner.failures == 0, "".join(output)
