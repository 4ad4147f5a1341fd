"""What the page offers about each kind is what a limits file may hold, all of it."""

import pytest

from dashboard.limits.forms import PAGE_FORMS, channels_to_json, form_key, forms_to_json
from logger.joint.channels import USUAL_CHANNELS
from logger.limits.kinds import example_text
from logger.limits.limit import limits_from_tables, parse_limits
from logger.limits.recorder_limit import RecorderLimit


@pytest.mark.parametrize("form", PAGE_FORMS, ids=lambda form: form.key)
def test_every_key_of_every_kind_has_words(form):
    """No key that a file may hold is missing from the page, and none is there that it may not."""
    offered = {
        key["key"] for one in forms_to_json() if one["form"] == form.key for key in one["keys"]
    }
    assert offered == set(form.model.model_fields) - {"name", "kind", "severity", "joint"}
    assert all(form.words_of(key)[0] for key in offered)


@pytest.mark.parametrize("form", PAGE_FORMS, ids=lambda form: form.key)
def test_a_new_limit_is_one(form):
    """What is added to begin with is accepted, and known again as what it is."""
    table = {"name": "new", "kind": form.kind, "severity": "warning", **form.blank}
    (limit,) = limits_from_tables([table], "limits", text="").limits
    assert type(limit) is form.model
    assert form_key(table) == form.key


def test_the_example_has_a_form_for_each_limit_on_a_joint():
    """Only limits on the recorder itself are kept as they are."""
    limits = parse_limits(example_text(), "example")
    for limit in limits.limits:
        assert (form_key(limit.written_keys) == "") == isinstance(limit, RecorderLimit)


def test_channels_are_told_in_the_units_of_the_file():
    """SI as the file has it: radians, whatever unit a reader has chosen for traces."""
    told = {one["channel"]: one["unit"] for one in channels_to_json(list(USUAL_CHANNELS))}
    assert told["position_rad"] == "rad"
    assert told["temperature_housing_degC"] == "°C"
    assert told["torque_Nm"] == "N·m"
    assert channels_to_json(["what_is_this"]) == []
