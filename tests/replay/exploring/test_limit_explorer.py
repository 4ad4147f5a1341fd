"""The desk: rough answers that become exact, and are then what a sweep says of the same limits."""

import pytest

from logger.errors import InputError
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording
from replay.tuning.choice import total_score
from replay.tuning.executors import run_tasks
from replay.tuning.sweep import parse_sweep
from replay.tuning.sweep_file import BadEnd
from replay.tuning.tune import prepare_sweep, run_sweep

SAID = BadEnd.model_validate(
    {"channel": "temperature_housing_degC", "above": 80.0, "within_s": 3600.0}
)
SWEEP = (
    'format = 1\n[bad_end]\nchannel = "temperature_housing_degC"\nabove = 80.0\nwithin_s = 3600.0\n'
)


@pytest.fixture(scope="module")
def limits() -> LimitSet:
    """Give the demo's limits, of many kinds."""
    return parse_limits(scenario.scenario_limits_text(), "limits.toml")


def _worked_out(
    desk: LimitExplorer, recording: Recording, limits: LimitSet, said: BadEnd | None
) -> int:
    work = desk.open_tasks([recording], limits, said)
    for task, found in zip(work, run_tasks(work), strict=True):
        assert found is not None
        desk.store_results(recording, task, found)
    return len(work)


def test_it_becomes_exact(overheat: Recording, limits: LimitSet):
    """Rough first, exact when the open work is taken in, and no work is left then."""
    desk = LimitExplorer()
    before = desk.evaluate_limits(overheat, limits, SAID)
    assert not before.is_exact()
    assert _worked_out(desk, overheat, limits, SAID)
    after = desk.evaluate_limits(overheat, limits, SAID)
    assert after.is_exact()
    assert desk.open_tasks([overheat], limits, SAID) == []
    assert {one.limit.name for one in before.limit_results} == {
        one.limit.name for one in after.limit_results
    }


def test_the_exact_answer_is_that_of_a_sweep(overheat: Recording, limits: LimitSet):
    """One limit at the value that a sweep of one candidate gives it is worth the same."""
    desk = LimitExplorer()
    _worked_out(desk, overheat, limits, SAID)
    answer = desk.evaluate_limits(overheat, limits, SAID)
    for name, key in (("housing-warm", "above"), ("winding-image", "above_percent")):
        value = getattr(limits.by_name(name), key)
        sweep = parse_sweep(
            f'{SWEEP}[[vary]]\nlimit = "{name}"\nkey = "{key}"\nvalues = [{value!r}]\n',
            limits,
            "sweep.toml",
        )
        (expected,) = run_sweep(prepare_sweep([overheat.path], sweep, "limits")).totals
        found = total_score(answer.score_joints(SAID, name))
        assert found == expected


def test_only_what_changed_is_worked_out(overheat: Recording, limits: LimitSet):
    """Of limits that were exact, the one that is turned is rough again and no other."""
    desk = LimitExplorer()
    _worked_out(desk, overheat, limits, SAID)
    turned = parse_limits(
        scenario.scenario_limits_text().replace("above       = 70.0", "above       = 69.5", 1), "x"
    )
    answer = desk.evaluate_limits(overheat, turned, SAID)
    assert not answer.is_exact("housing-warm")
    assert all(one.exact for one in answer.limit_results if one.limit.name != "housing-warm")


def test_another_name_or_severity_is_the_same_limit(overheat: Recording, limits: LimitSet):
    """What a limit is called and how loud it is changes nothing about when it is raised."""
    desk = LimitExplorer()
    _worked_out(desk, overheat, limits, SAID)
    text = scenario.scenario_limits_text().replace('"housing-warm"', '"renamed"')
    assert desk.evaluate_limits(overheat, parse_limits(text, "x"), SAID).is_exact("renamed")


def test_without_a_bad_end_it_only_counts(overheat: Recording, limits: LimitSet):
    """No bad end is said: there is nothing to catch, and every alert is one."""
    answer = LimitExplorer().evaluate_limits(overheat, limits, None)
    worth = total_score(answer.score_joints(None))
    assert worth.bad_ends == worth.caught == 0
    assert sum(len(one.alerts) for one in answer.limit_results) == worth.false_alerts > 0


def test_a_bad_end_on_what_is_not_there(overheat: Recording, limits: LimitSet):
    """A joint or a channel that the recording does not have is answered in words."""
    said = BadEnd.model_validate({"channel": "voltage_V", "above": 1.0, "joint": "wrist"})
    with pytest.raises(InputError, match="wrist"):
        LimitExplorer().evaluate_limits(overheat, limits, said)


def test_what_is_being_written_stays_rough(
    overheat: Recording, limits: LimitSet, monkeypatch: pytest.MonkeyPatch
):
    """A recording that grows while it is worked out would be given the answer to another state."""
    desk = LimitExplorer()
    assert desk.evaluate_limits(overheat, limits, SAID).can_be_made_exact()
    monkeypatch.setattr(Recording, "live", property(lambda _: True))
    assert desk.open_tasks([overheat], limits, SAID) == []
    answer = desk.evaluate_limits(overheat, limits, SAID)
    assert not answer.is_exact()
    assert not answer.can_be_made_exact()
