"""What the browser declares of the server's answers is what the server answers."""

import json
import re
import shutil
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from logger.simulate import scenario
from logger.store.repair.keep_finding import keep_finding
from replay.recording import Recording
from tests.support.findings import play_finding, small_recording
from tests.support.made_campaign import MadePart, write_campaign_part

ASSETS = Path(__file__).parents[3] / "dashboard" / "assets"
PLAIN: dict[str, Callable[[Any], bool]] = {
    "string": lambda value: isinstance(value, str),
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "undefined": lambda _value: False,
    "any": lambda _value: True,
}
BAD_END = {"channel": "temperature_housing_degC", "above": 80.0, "within_s": 3600.0}
TABLE = {
    "name": "warm", "kind": "level", "severity": "warning",
    "channel": "temperature_housing_degC", "above": 70.0,
}  # fmt: skip


class Declarations:
    """The types that a file of declarations exports, as far as answers need them."""

    def __init__(self, path: Path) -> None:
        text = re.sub(r"/\*.*?\*/", "", path.read_text("utf-8"), flags=re.DOTALL)
        self.interfaces: dict[str, dict[str, str]] = {}
        self.aliases = dict(re.findall(r"type (\w+) = ([^;]+);", text))
        for name, base, body in re.findall(
            r"interface (\w+)(?: extends (\w+))? \{\n(.*?)\n\}", text, flags=re.DOTALL
        ):
            fields = dict(re.findall(r"^  (\w+\??): (.+);$", body, flags=re.MULTILINE))
            self.interfaces[name] = {**self.interfaces.get(base, {}), **fields}

    def misfit(self, value: object, kind: str, at: str = "") -> str:
        """Return where a value is not of a type, in words; empty if it is."""
        kind = self.aliases.get(kind, kind).strip()
        choices = re.split(r" \| (?![^<\[]*[>\]])", kind)
        if len(choices) > 1:
            misfits = [self.misfit(value, choice, at) for choice in choices]
            return "" if "" in misfits else " or ".join(misfits)
        if kind in PLAIN:
            return "" if PLAIN[kind](value) else f"{at} is no {kind}"
        if kind.startswith('"'):
            return "" if value == kind.strip('"') else f"{at} is not {kind}"
        if kind.endswith("[]"):
            return self._misfit_of_parts(value, [kind.removesuffix("[]")] * _length(value), at)
        if kind.startswith("["):
            return self._misfit_of_parts(value, kind.strip("[]").split(", "), at)
        if kind.startswith("Record<"):
            return "" if isinstance(value, dict) else f"{at} is no record"
        return self._misfit_of_object(value, kind, at)

    def _misfit_of_parts(self, value: object, kinds: list[str], at: str) -> str:
        if not isinstance(value, list) or len(value) != len(kinds):
            return f"{at} is no list of {len(kinds)}"
        parts = zip(value, kinds, strict=True)
        return next(
            (wrong for part, kind in parts if (wrong := self.misfit(part, kind, f"{at}[]"))), ""
        )

    def _misfit_of_object(self, value: object, name: str, at: str) -> str:
        fields = self.interfaces.get(name)
        if fields is None:
            return ""  # declared in a module
        if not isinstance(value, dict):
            return f"{at} is no {name}"
        known = {field.removesuffix("?") for field in fields}
        if undeclared := sorted(set(value) - known):
            return f"{at}: {name} does not declare {undeclared}"
        for field, kind in fields.items():
            key = field.removesuffix("?")
            if key not in value:
                if field.endswith("?"):
                    continue
                return f"{at}: {name} lacks {key}"
            if wrong := self.misfit(value[key], kind, f"{at}.{key}"):
                return wrong
        return ""


def _length(value: object) -> int:
    return len(value) if isinstance(value, list) else 0


def _ask(url: str, body: dict[str, Any] | None = None) -> Any:
    headers = {"content-type": "application/json", "origin": url[: url.index("/api")]}
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data=data, headers=headers)
    with urllib.request.urlopen(request, timeout=40) as response:
        return json.loads(response.read())


@pytest.fixture
def api(serve_once: Callable[[Path], str], overheat: Recording) -> str:
    """Give the address of the routes of a server over the overheat."""
    return serve_once(overheat.path.parent) + "/api"


@pytest.fixture
def name(overheat: Recording) -> str:
    """Give the recording as an address has it."""
    return quote(overheat.path.name)


def test_replay_is_answered_as_declared(api: str, name: str):
    """The list, an opened recording, its excursions, a span, a second recording."""
    declared = Declarations(ASSETS / "replay" / "answers.d.ts")
    path = f"{api}/recordings/{name}"
    overview = _ask(f"{path}/overview")
    details = _ask(f"{path}/excursions?first=0&count=9")["details"]
    span = f"{path}/span?start=0&end=600"
    laid = _ask(f"{span}&over={name}&shift=5")
    assert overview["excursions"]
    assert details
    assert laid["overlay"]["label"]
    for answer, kind in (
        (_ask(f"{api}/recordings"), "Catalogue"),
        (overview, "Overview"),
        (details, "ExcursionDetail[]"),
        (_ask(span), "SpanTable"),
        (laid, "SpanTable"),
        (_ask(f"{path}/alignment?over={name}"), "Alignment"),
    ):
        assert declared.misfit(answer, kind, kind) == ""


def test_the_bus_page_is_answered_as_declared(api: str, name: str):
    """The list of recordings, and one of them with its senders."""
    declared = Declarations(ASSETS / "bus" / "answers.d.ts")
    answer = _ask(f"{api}/recordings/{name}/bus")
    assert answer["traffic"]["senders"]
    assert declared.misfit(answer, "BusAnswer", "BusAnswer") == ""
    assert declared.misfit(_ask(f"{api}/bus/recordings"), "RecordingList", "RecordingList") == ""


def test_the_data_sheet_is_answered_as_declared(serve: Callable[..., str], tmp_path: Path):
    """A folder without anything, and one of two joints that are put beside each other."""
    declared = Declarations(ASSETS / "sheet" / "answers.d.ts")
    for day, serial in enumerate("AB"):
        settings = f'serial = "{serial}"\n[joint.claims]\nbacklash_arcmin = 12.0\nmass_kg = 1.0\n'
        recording = small_recording(tmp_path / f"day{day}", settings=settings)
        keep_finding(recording.path, play_finding(recording))
    api = f"{serve(tmp_path)}/api"
    answer = _ask(f"{api}/sheet?joint=A&other=B&zone=Europe/Berlin")
    assert answer["compared"]["quantities"][0]["rows"]
    assert declared.misfit(answer, "SheetAnswer", "SheetAnswer") == ""
    shutil.rmtree(tmp_path / "day0")
    shutil.rmtree(tmp_path / "day1")
    assert declared.misfit(_ask(f"{api}/sheet"), "SheetAnswer", "SheetAnswer") == ""


def test_the_campaign_page_is_answered_as_declared(
    serve: Callable[..., str], tmp_path: Path, until: Callable[..., None]
):
    """A folder without anything, a recording whose cycles are none, and a campaign."""
    declared = Declarations(ASSETS / "campaign" / "answers.d.ts")
    campaign = f"{serve(tmp_path)}/api/campaign?zone=Europe/Berlin"
    kinds = {"shown": "Shown", "refused": "Refused"}

    def ask(of: str = "", other: str = "") -> Any:
        answer = _ask(f"{campaign}&of={of}&other={other}")
        kind = kinds.get(answer["state"], "Nothing")
        assert declared.misfit(answer, kind, kind) == ""
        return answer

    assert ask()["state"] == "empty"
    small_recording(tmp_path / "bench")
    assert ask()["state"] == "unchosen"
    until(lambda: ask("bench")["state"] == "refused", "no cycles are found")
    write_campaign_part(tmp_path / "load", MadePart(first_h=0.0, last_h=190.0, step_h=150.0))
    until(lambda: ask()["state"] == "shown", "the campaign is read")
    assert ask()["changes"]
    assert ask(other="load/a")["both"]["rows"]
    assert "no recording named" in ask(other="gone/a")["other_said"]


def test_the_measure_page_is_answered_as_declared(serve: Callable[..., str], tmp_path: Path):
    """The kinds, a measurement before it begins, one that is answered, one that is kept."""
    declared = Declarations(ASSETS / "measure" / "answers.d.ts")
    small_recording(tmp_path / "day", settings="[joint.claims]\nmass_kg = 0.6\n")
    api = f"{serve(tmp_path)}/api/measure"
    assert declared.misfit(_ask(api), "Kinds", "Kinds") == ""
    body = {"kind": "value", "joint": "a", "readings": "mass=1 kg", "divisions": "mass=1 g"}
    assert _ask(f"{api}/day/keep", body)["kept"]
    fields = "&".join(f"{key}={quote(value)}" for key, value in body.items())
    for query in ("", "kind=backlash&way=loop&spans=loop1%3D1..9", fields):
        answer = _ask(f"{api}/day?{query}")
        assert declared.misfit(answer, "MeasureAnswer", query) == ""
    assert answer["measured"]["result"]["claim"] == "0.6 kg"
    assert len(answer["measured"]["kept"]) == 1
    programme = _ask(f"{api}/day/programme")
    assert declared.misfit(programme, "Programme", "Programme") == ""
    answered = [one["kind"] for one in programme["joints"][0]["steps"] if one["answered"]]
    assert answered == ["value"]
    assert _ask(f"{api}/day/now")["now_s"] > 19.0
    refused = _ask(f"{api}/reading/check?kind=backlash&reading=arm%3D-1%20mm")["refused"]
    assert "greater than 0" in refused


def test_the_limits_page_is_answered_as_declared(api: str, name: str, until: Callable[..., None]):
    """What it begins with, limits of every kind, limits that are none, and a sweep."""
    declared = Declarations(ASSETS / "limits" / "answers.d.ts")
    limits = f"{api}/limits"
    start = _ask(limits)
    assert declared.misfit(start, "Start", "Start") == ""
    tables = [TABLE, *_ask(f"{limits}/start?recording={name}")["tables"]]
    question = {"recordings": [name], "base": scenario.scenario_limits_text(), "tables": tables}
    for table in tables:
        body = {**question, "bad_end": BAD_END, "chosen": table["name"], "whole": True}
        answer = _ask(f"{limits}/evaluate", body)
        assert declared.misfit(answer, "Evaluation", table["name"]) == ""
    counted = _ask(f"{limits}/evaluate", {**question, "chosen": "warm"})
    assert declared.misfit(counted, "Evaluation", "counted") == ""
    wrong = _ask(f"{limits}/evaluate", {**question, "tables": [{**TABLE, "bogus": 1}]})
    assert wrong["mistakes"][0]["key"] == "bogus"
    lacking = set(declared.interfaces["Mistake"]) - set(wrong["mistakes"][0])
    assert not lacking
    vary = [{"limit": "warm", "key": "above", "start": 60, "to": 75, "steps": 3}]
    sweep = {"recordings": [name], "tables": [TABLE], "bad_end": BAD_END, "vary": vary}
    number = _ask(f"{limits}/sweep", sweep)["number"]
    until(lambda: _ask(f"{limits}/jobs/{number}")["state"] == "done", "the sweep is done")
    work = _ask(f"{limits}/jobs/{number}")
    assert work["result"]["points"]
    assert declared.misfit(work, "Work", "Work") == ""
    assert declared.misfit(work["result"], "SweepResult", "SweepResult") == ""


def test_a_misfit_is_found():
    """An answer with a key too many, too few, or of another type is not one."""
    declared = Declarations(ASSETS / "replay" / "answers.d.ts")
    anchor = {"at_s": 1.5, "label": "the end"}
    assert declared.misfit(anchor, "Anchor") == ""
    assert declared.misfit({**anchor, "words": ""}, "Anchor")
    assert declared.misfit({"at_s": 1.5}, "Anchor")
    assert declared.misfit({**anchor, "at_s": "1"}, "Anchor")
    assert declared.misfit([anchor, {}], "Anchor[]")
