"""What the Limits page is answered: in words that agree with the desk, and small enough."""

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.limits.jobs import parse_page_sweep
from dashboard.limits.provenance import trial_provenance, without_provenance
from dashboard.limits.question import LimitsRequest, VaryRequest
from dashboard.limits.reply import build_reply, limit_rows, spans_to_draw
from dashboard.server.json_requests import parse_body, split_mistakes
from logger.errors import InputError
from logger.limits.limits_text import limit_tables
from logger.simulate import scenario
from replay.evaluation.alert_arrays import STANDING_NS, AlertArrays
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording
from tests.support import many_joints

VARY = {"limit": "housing-warm", "key": "above", "start": 55.0, "to": 75.0, "steps": 5}
CURVE = {"kind": "inverse-time", "channel": "current_A", "curve": "C", "tms": 1.0}
BAD_END = {"channel": "temperature_housing_degC", "above": 80.0, "within_s": 3600.0}


def _question(**more: Any) -> LimitsRequest:
    text = scenario.scenario_limits_text()
    asked = {
        "recordings": ["overheat"], "base": text, "tables": limit_tables(text),
        "bad_end": BAD_END, "chosen": "housing-warm", **more,
    }  # fmt: skip
    return LimitsRequest.model_validate(asked)


def _answer(overheat: Recording, **more: Any) -> Any:
    question = _question(**more)
    return build_reply(question, question.parse_limits(), [overheat], LimitExplorer())


def test_it_says_what_was_caught(overheat: Recording):
    """The half hour with one overheat: the warning at 70 °C catches it, on one joint of two."""
    told = _answer(overheat)
    (lane,) = told["lanes"]
    assert [one["joint"] for one in lane["joints"]] == ["shoulder", "elbow"]
    assert told["score"]["caught"] == told["score"]["bad_ends"] == 1
    assert told["score"]["false_alerts"] == 0
    assert len(lane["joints"][0]["raised"]) == 1
    assert len(lane["joints"][0]["bad_ends"]) == 1
    assert lane["joints"][1]["raised"] == []
    assert "combined_score" not in told
    assert _answer(overheat, whole=True)["combined_score"]["raised"] > 1


def test_of_many_joints_the_most_urgent_are_drawn(four_arms: Recording):
    """All are judged; three have a pen and a picture, and it is said how many have none."""
    question = _question(
        recordings=["four-arms"], base=many_joints.LIMITS, tables=limit_tables(many_joints.LIMITS),
        bad_end=None,
    )  # fmt: skip
    told = build_reply(question, question.parse_limits(), [four_arms], LimitExplorer())
    assert told["drawn"] == "3 of 24 drawn, 21 not"
    (lane,) = told["lanes"]
    assert len(lane["joints"]) == 24
    pens = {one["joint"]: one["pen"] for one in lane["joints"] if one["pen"]}
    assert pens == {"south-shoulder": 1, "west-shoulder": 2, "north-elbow": 3}
    assert len(told["chosen"]["shapes"][0]) == len(told["chosen"]["levels"][0]) == 3
    assert told["score"]["raised"] == 2


def test_it_says_beforehand_when_a_limit_is_not_judged(overheat: Recording):
    """Which gaps are too long for its delays and windows on the joints of the recordings."""
    sentences = {one["name"]: one["sentence"] for one in _answer(overheat)["limits"]}
    assert "; not judged while the housing has gaps longer than " in sentences["housing-warm"]
    assert "not judged" not in sentences["silent"]


def test_what_a_rough_answer_leaves_out_is_said(overheat: Recording):
    """Peaks that last for less than a second are not in an answer from seconds."""
    table = {
        "name": "peak", "kind": "level", "severity": "trip", "channel": "torque_Nm",
        "above_rated": 0.9,
    }  # fmt: skip
    for wait_s, said in ((0.0, False), (0.1, True), (2.0, False)):
        told = _answer(overheat, tables=[{**table, "on_delay_s": wait_s}], chosen="peak")
        assert told["chosen"]["may_miss_short"] is said


def test_what_is_drawn_already_is_not_sent_again(overheat: Recording):
    """Turning a level changes no picture; the answer to a drag stays small."""
    first = _answer(overheat)
    again = _answer(overheat, shapes_key=first["chosen"]["shapes_key"])
    assert "shapes" in first["chosen"]
    assert "shapes" not in again["chosen"]
    tables = limit_tables(scenario.scenario_limits_text())
    tables[0]["above"] = 71.0
    turned = _answer(overheat, tables=tables, shapes_key=first["chosen"]["shapes_key"])
    assert "shapes" not in turned["chosen"]
    assert len(json.dumps(turned)) < 8000
    assert turned["chosen"]["levels"][0][0][0]["at"] == 71.0


@pytest.mark.parametrize("index", range(11))
def test_every_limit_of_the_demo_is_answered(overheat: Recording, index: int):
    """Each can be chosen; the answer is plain JSON without NaN."""
    name = limit_tables(scenario.scenario_limits_text())[index]["name"]
    told = _answer(overheat, chosen=name)
    json.dumps(told, allow_nan=False)
    assert told["chosen"]["name"] == name


def test_mistakes_stand_with_their_limit():
    """A sentence of the limits' own checks leads to the limit and the key that it is of."""
    tables = limit_tables(scenario.scenario_limits_text())
    tables[1]["drop_off"] = 500.0
    tables[2]["bogus"] = 1
    del tables[3]["kind"]
    with pytest.raises(InputError) as fault:
        _question(tables=tables).parse_limits()
    found = split_mistakes(fault.value)
    assert [(one["index"], one["key"]) for one in found] == [
        (1, "drop_off"),
        (2, "bogus"),
        (3, "kind"),
    ]
    assert all("limit[" not in one["text"] for one in found)


@pytest.mark.parametrize(
    "table",
    [
        {"kind": "level", "channel": "torque_Nm", "above": 1e308},
        {"kind": "level", "channel": "torque_Nm", "above_rated": 1e6},
        {**CURVE, "setting": 1e308, "from_multiple": 2.0},
        {**CURVE, "setting_rated": 1e6},
    ],
)
def test_a_level_beyond_all_numbers(overheat: Recording, table: dict[str, Any]):
    """It is never reached; what cannot be drawn is left out, and the answer is plain JSON."""
    told = _answer(overheat, tables=[{"name": "far", "severity": "trip", **table}], chosen="far")
    json.dumps(told, allow_nan=False)
    assert told["score"]["raised"] == 0


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"recordings": ["x"] * 41}, "recordings: found 41, expected at most 40 at a time."),
        ({"base": "x" * 200_001}, "base: found more than 200000 characters"),
        ({"vary": [{**VARY, "steps": 1}]}, "vary.0.steps: found 1, expected at least 2."),
        ({"vary": [{**VARY, "steps": 2.5}]}, "vary.0.steps: found 2.5, expected a whole number."),
    ],
)
def test_what_a_person_can_overdo_is_said_in_words(asked: dict[str, Any], said: str):
    """Too many recordings, too long a file, too few steps."""
    body = {**_question().model_dump(), "vary": [VARY], **asked}
    with pytest.raises(InputError) as fault:
        parse_body(VaryRequest, json.dumps(body).encode())
    assert str(fault.value).startswith(said)


@pytest.mark.parametrize("note", ["fan 😀", 'a "quoted" one', "back\\slash", "\x7f", "Lüfter aus"])
def test_a_sweep_after_a_note_of_any_text(note: str):
    """What a note says goes into the sweep file as it is."""
    said = {"note": note, "length_s": 60.0}
    asked = VaryRequest.model_validate({**_question(bad_end=said).model_dump(), "vary": [VARY]})
    assert parse_page_sweep(asked).bad_end.note == note


def test_a_sweep_over_no_recording():
    """There is nothing to judge on, and that is said."""
    asked = VaryRequest.model_validate({**_question(recordings=[]).model_dump(), "vary": [VARY]})
    with pytest.raises(InputError, match="choose at least one"):
        parse_page_sweep(asked)


def test_where_limits_come_from_is_said_once(overheat: Recording):
    """A file that was saved from the page and is saved again has the newest account only."""
    answer = LimitExplorer().evaluate_limits(overheat, _question().parse_limits(), None)
    lines = trial_provenance([answer], None, version="1", date="2026-01-01")
    head = "".join(f"# {line}\n" for line in lines) + "\n"
    text = "# mine\nformat = 1\n"
    assert without_provenance(head + text) == text
    assert without_provenance((head + text).replace("\n", "\r\n")) == text.replace("\n", "\r\n")
    assert without_provenance(text) == text


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{}", b'{"recordings": 1, "tables": []}', b'{"x": 1}', b"\xff"]
)
def test_what_no_page_sends(body: bytes):
    """Anything else is a sentence."""
    with pytest.raises(InputError, match=r"\w+: .*\."):
        parse_body(LimitsRequest, body)


@given(st.lists(st.tuples(st.integers(0, 10**6), st.integers(1, 10**4)), max_size=3000))
def test_no_alert_is_hidden_in_the_picture(times: list[tuple[int, int]]):
    """However many there are, at most 400 spans are drawn and each raise lies in one of them."""
    raised = np.sort(np.array([at for at, _ in times], np.int64)) * 1000
    returned = raised + np.array([span for _, span in times], np.int64)
    if len(returned):
        returned[-1] = STANDING_NS
    end = 10**9 + 10**7
    spans = spans_to_draw(
        AlertArrays(onset_ns=raised, raised_ns=raised, returned_ns=returned), 0, end
    )
    assert len(spans) <= 400
    for at in raised.tolist():
        share = at / end
        assert any(a - 1e-5 <= share <= b + 1e-5 for a, b in spans)
    assert all(a <= b for a, b in spans)
    assert spans == sorted(spans)


def test_a_sweep_keeps_the_distance_of_the_drop_off():
    """A level that is varied from a page takes its drop-off along, as a drag does."""
    question = VaryRequest.model_validate(
        {
            **_question().model_dump(),
            "vary": [
                {"limit": "housing-warm", "key": "above", "start": 55.0, "to": 75.0, "steps": 5}
            ],
        }
    )
    sweep = parse_page_sweep(question)
    assert sweep.refused == 0
    assert [one.limits[0].above - one.limits[0].drop_off for one in sweep.candidates] == (
        pytest.approx([3.0] * 5)
    )
    with pytest.raises(InputError, match="5000"):
        parse_page_sweep(
            question.model_copy(
                update={
                    "vary": [one.model_copy(update={"steps": 1000}) for one in question.vary * 2]
                }
            )
        )


def test_a_limit_whose_channel_nobody_reports_says_so(crowded: Recording):
    """The elbow reports no winding; what is reported is judged."""
    rows = {row["name"]: row["sentence"] for row in limit_rows(crowded.limits, [crowded])}
    assert rows["winding"].endswith("; cannot be judged here: its winding is not reported")
    assert "cannot be judged" not in rows["housing-warm"]
    assert "cannot be judged" not in limit_rows(crowded.limits, [])[0]["sentence"]
