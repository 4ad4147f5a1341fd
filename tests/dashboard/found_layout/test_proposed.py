"""A proposal from a recording: what would be decoded, what the page shows, what it becomes."""

import json
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import pytest

from dashboard.found_layout.curves_figure import curves_figure
from dashboard.found_layout.proposed import propose_of
from dashboard.found_layout.question import LayoutQuery
from dashboard.found_layout.view import rival_words
from dashboard.text.theme import LIGHT
from dashboard.text.units import select_displays
from logger.errors import InputError
from logger.joint.bench.layout import parse_layout
from logger.layout_tools.proposal_file import FileRival, FileValue, Sureness
from tests.dashboard.assets.test_answers import ASSETS, Declarations
from tests.logger.layout_finder.moved_joint import move_joint
from tests.support.unknown_drive import STEPS_QUERY, record_unknown


@pytest.fixture(scope="module", name="folder")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("found")
    record_unknown(folder / "unknown")
    return folder


def test_the_curves_are_what_the_joint_did(folder: Path):
    """Position and speed against the truth; the load's expectation lies on what was decoded."""
    asked = LayoutQuery.model_validate(STEPS_QUERY).asked(folder / "unknown", 1)
    found = propose_of(asked)
    curves = {curve.channel: curve for curve in found.curves}
    time_s, angle = move_joint()
    position = curves["position_rad"]
    truth = np.interp(position.time_s, time_s, angle)
    assert np.ptp(position.values - truth) < 0.02
    speed = curves["speed_rad_s"]
    assert (
        np.abs(speed.values - np.interp(speed.time_s, time_s, np.gradient(angle, time_s))).max()
        < 0.3
    )
    figure = curves_figure(found, asked, theme=LIGHT, displays=select_displays("", ""))
    assert figure is not None
    drawn = [one for one in figure["data"] if one["line"].get("dash") == "dash"]
    torque = next(one for one in drawn if max(one["y"]) == pytest.approx(7.845, abs=0.05))
    decoded = np.interp(torque["x"], curves["torque_Nm"].time_s, curves["torque_Nm"].values)
    # What is left is friction.
    assert np.abs(decoded - torque["y"]).max() < 2.5


def test_where_nothing_can_be_had_it_is_said(folder: Path):
    """Steps outside of the frames; a bus without any."""
    query = LayoutQuery(turn="2000-2010")
    with pytest.raises(InputError, match="found no frame"):
        propose_of(query.asked(folder / "unknown", 1))


def _post(address: str, body: object) -> tuple[int, dict]:
    origin = address[: address.index("/api")]
    request = urllib.request.Request(
        address,
        json.dumps(body).encode(),
        {"content-type": "application/json", "origin": origin},
    )
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code, json.load(refused)


def test_from_the_question_to_the_layout(
    folder: Path, serve_once: Callable[[Path], str], until: Callable[..., None]
):
    """Answers are as declared; undecided and nameless are refused; corrected is told apart."""
    declared = Declarations(ASSETS / "layout" / "answers.d.ts")
    api = f"{serve_once(folder)}/api/layout"
    answers: list[dict] = []

    def ask(query: dict[str, str]) -> dict:
        with urllib.request.urlopen(f"{api}/unknown?{urlencode(query)}", timeout=60) as answer:
            answers.append(json.load(answer))
        return answers[-1]

    assert ask({})["state"] == "marking"
    assert ask({"turn": "5-", "find": "true"})["refused"].startswith("turn: still being done")
    assert ask({"turn": "x", "find": "true"})["state"] == "refused"
    until(lambda: ask({**STEPS_QUERY, "find": "true"})["state"] == "found", "it is proposed")
    for answer in answers:
        assert declared.misfit(answer, "LayoutAnswer", answer["state"]) == ""
    proposal = answers[-1]["proposal"]
    values = proposal["values"]
    decisions = [
        {
            "number": one["number"], "state": "confirmed" if one["channel"] else "left out",
            "channel": one["channel"], "scale": one["scale"], "offset": one["offset"],
        }
        for one in values
    ]  # fmt: skip
    body = {"file": proposal["file"], "name": "elbow", "by": "A. Body", "decisions": decisions}
    assert _post(f"{api}/decide", {**body, "by": " "})[0] == 400
    status, refused = _post(f"{api}/decide", {**body, "decisions": decisions[1:]})
    assert (status, "nobody has decided" in refused["fault"]) == (400, True)
    status, refused = _post(f"{api}/decide", {**body, "file": {"proposal": 7}})
    assert (status, refused["fault"].startswith("This is no proposal")) == (400, True)
    voltage = next(one for one in decisions if one["channel"] == "voltage_V")
    voltage["scale"] *= 1.01
    status, made = _post(f"{api}/decide", body)
    assert status == 200
    assert declared.misfit(made, "MadeLayout", "MadeLayout") == ""
    frames = parse_layout(made["layout"], "elbow.toml").frame
    states = {value.channel: value.origin.state for frame in frames for value in frame.value}
    assert states.pop("voltage_V") == "corrected"
    assert set(states.values()) == {"confirmed"}


def test_another_reading_is_told_with_its_bits():
    """A length of its own, a second piece; and hardly likely is not impossible."""
    value = FileValue.model_validate(
        {
            "state": "proposed", "meaning": "temperature", "byte": 1, "bits": 8, "seen_bits": 7,
            "form": "unsigned", "scale": 0.5, "offset": -40.0,
            "sure": Sureness(place=0.9, meaning=0.9, scale=0.7),
            "rivals": (
                FileRival(meaning="temperature", scale=0.1, offset=-40.0, bits=12,
                          upper_at=(4, 4), sure=0.2),
                FileRival(meaning="commanded_speed", scale=0.25, offset=0.0, bits=8, sure=0.004),
            ),
        }
    )  # fmt: skip
    assert [rival_words(one, value) for one in value.rivals] == [
        "temperature, 0.1 a count, offset -40, 12 bits, in two pieces: the upper bits from byte 4 "
        "bit 4 (0.20)",
        "commanded speed, 0.25 a count (below 0.01)",
    ]
