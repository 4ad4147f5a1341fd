"""Every kind in the list owns all its parts, and every part is found through the list."""

import inspect
import pkgutil
from importlib import import_module

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.quantities import DISPLAYS
from logger.limits import kinds
from logger.limits.kind import JointLimit, LimitKind
from logger.limits.kinds import (
    DEFAULT_RECORDER_LIMITS,
    KIND_NAMES,
    LIMIT_KINDS,
    example_text,
    limit_model,
)
from logger.limits.limit import parse_limits
from logger.limits.scored_limit import ScoredLimit
from logger.limits.series import Series
from logger.limits.words import describe_limit, format_value, limit_label

RATED = RatedValues(torque=18.0, current=11.0, voltage=48.0)
EXAMPLES = {type(limit): limit for limit in parse_limits(example_text(), "example").limits}
ON_JOINTS = [one for one in LIMIT_KINDS if issubclass(one, JointLimit)]


def test_every_file_of_a_kind_is_in_the_list():
    """A model in kinds/ that can be made stands in the list: none is forgotten there."""
    found = set()
    for module in pkgutil.iter_modules(kinds.__path__):
        for one in vars(import_module(f"{kinds.__name__}.{module.name}")).values():
            if inspect.isclass(one) and issubclass(one, LimitKind) and not inspect.isabstract(one):
                found.add(one)
    assert found == set(LIMIT_KINDS)


def test_the_map_names_every_file():
    """The docstring of the package is the map of its files."""
    for module in pkgutil.iter_modules(kinds.__path__):
        assert f"    {module.name} " in str(kinds.__doc__)


@pytest.mark.parametrize("kind", LIMIT_KINDS, ids=lambda one: one.__name__)
def test_a_kind_has_its_entry_in_the_example(kind):
    """What ships as an example of a kind is one of it, and begins with words about it."""
    assert kind in EXAMPLES
    mine = parse_limits(f"format = 1\n{kind.example}", "example").limits
    assert {type(limit) for limit in mine} == {kind}
    assert kind.example.startswith("# ")
    assert kind.kind_name() in KIND_NAMES


@pytest.mark.parametrize("kind", LIMIT_KINDS, ids=lambda one: one.__name__)
def test_a_kind_has_its_words(kind):
    """A label, what it does, and a value in its unit."""
    limit = EXAMPLES[kind]
    assert limit_label(limit, DISPLAYS)
    assert describe_limit(limit).startswith(("warns when", "trips when"))
    assert format_value(limit, 1.5)


@pytest.mark.parametrize("kind", ON_JOINTS, ids=lambda one: one.__name__)
def test_a_kind_on_a_joint_has_its_form(kind):
    """Every kind on a joint can be set on the Limits page, and each key has words and a unit."""
    assert kind.form is not None
    own = set(kind.model_fields) - set(JointLimit.model_fields) - {"kind", "channel", "magnitude"}
    assert set(kind.form.keys) == own - {"on_delay_s", "off_delay_s"}
    assert set(kind.form.drop_offs) | set(kind.form.drop_offs.values()) <= set(kind.form.keys)
    assert limit_model({"kind": kind.kind_name(), **kind.form.blank}) is kind


@pytest.mark.parametrize("kind", ON_JOINTS, ids=lambda one: one.__name__)
def test_a_kind_on_a_joint_has_its_levels(kind):
    """Lines and handles are there where the kind says that they are, each handle of a key."""
    limit = EXAMPLES[kind]
    assert bool(limit.levels(RATED)) == kind.draws_levels
    assert bool(limit.drag_handles(RATED)) == kind.has_handles
    assert {handle.key for handle in limit.drag_handles(RATED)} <= set(kind.model_fields)
    assert kind.threshold_keys <= set(kind.model_fields)


@pytest.mark.parametrize("kind", ON_JOINTS, ids=lambda one: one.__name__)
def test_a_kind_on_readings_has_its_scores(kind):
    """It makes scores of no readings, and names what stands for a second of each channel."""
    limit = EXAMPLES[kind].in_channel_unit(RATED)
    assert limit is not None
    if not isinstance(limit, ScoredLimit):
        assert limit.watches_gaps
        return
    channels = {channel for _, channel in limit.needed_channels}
    assert set(limit.summary_styles) == channels
    nothing = ReadingBatch(
        joint="", time_ns=np.empty(0, np.int64), position_segment=np.empty(0, np.int32), columns={}
    )
    memory = limit.initial_memory()
    scores, after = limit.compute_scores(memory, Series(nothing, dict.fromkeys(channels, 10**9)))
    assert len(scores.score) == 0
    assert after == memory
    assert limit.memory_after_restart(memory, None, 5) == memory


def test_what_always_stands_is_of_the_list():
    """What the recorder watches without a file is of kinds that a file may hold."""
    assert {type(limit) for limit in DEFAULT_RECORDER_LIMITS} <= set(LIMIT_KINDS)


def test_a_forgotten_part_is_told():
    """A kind without its words or scores cannot be made: it is told by name."""

    class Forgetful(ScoredLimit):
        """A kind that owns nothing."""

    with pytest.raises(TypeError, match=r"compute_scores, phrases"):
        Forgetful(name="x", severity="warning")
