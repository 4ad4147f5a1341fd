"""`dutytrace layout channels`: all that a layout and a bench file can say of a value."""

import json
from typing import get_args

from logger.joint.bench.joint_settings import CURRENT_CONVENTIONS, CurrentSettings
from logger.joint.quantities import QUANTITIES
from tests.support.command import run


def test_channels_conventions_and_holds_are_listed():
    """Quantities with their units, what an ampere can be, how long a value counts."""
    done = run("layout", "channels")
    assert done.returncode == 0, done.stderr
    for name in (*QUANTITIES, *CURRENT_CONVENTIONS, "current.convention", "hold_s", "3 periods"):
        assert name in done.stdout
    found = json.loads(run("layout", "channels", "--json").stdout)
    assert [one["quantity"] for one in found["quantities"]] == list(QUANTITIES)
    assert found["current_conventions"] == CURRENT_CONVENTIONS


def test_each_convention_is_in_words():
    """Whatever the bench file accepts, and no other."""
    annotation = CurrentSettings.model_fields["convention"].annotation
    assert set(get_args(annotation)) == set(CURRENT_CONVENTIONS)
