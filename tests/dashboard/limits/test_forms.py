"""What the page offers about each kind is what a limits file may hold, all of it."""

import pytest

from dashboard.limits.forms import KEYS, KINDS, channels_told, forms, kind_of
from logger.joint.channels import CHANNELS
from logger.limits.bus import OfRecorder
from logger.limits.describe import example_text
from logger.limits.limit import limits_from, limits_of


@pytest.mark.parametrize("form", KINDS, ids=lambda form: form.key)
def test_every_key_of_every_kind_has_words(form):
    """No key that a file may hold is missing from the page, and none is there that it may not."""
    offered = {key["key"] for one in forms() if one["form"] == form.key for key in one["keys"]}
    assert offered == set(form.model.model_fields) - {"name", "kind", "severity", "joint"}
    assert offered <= set(KEYS)


@pytest.mark.parametrize("form", KINDS, ids=lambda form: form.key)
def test_a_new_limit_is_one(form):
    """What is added to begin with is accepted, and known again as what it is."""
    table = {"name": "new", "kind": form.kind, "severity": "warning", **form.blank}
    (limit,) = limits_of([table], "limits", text="").limits
    assert type(limit) is form.model
    assert kind_of(table) == form.key


def test_the_example_has_a_form_for_each_limit_on_a_joint():
    """Only limits on the recorder itself are kept as they are."""
    limits = limits_from(example_text(), "example")
    for limit in limits.limits:
        assert (kind_of(limit.told) == "") == isinstance(limit, OfRecorder)


def test_channels_are_told_in_the_units_of_the_file():
    """SI as the file has it: radians, whatever unit a reader has chosen for traces."""
    told = {one["channel"]: one["unit"] for one in channels_told(list(CHANNELS))}
    assert told["position_rad"] == "rad"
    assert told["temperature_housing_degC"] == "°C"
    assert told["torque_Nm"] == "N·m"
    assert channels_told(["what_is_this"]) == []
