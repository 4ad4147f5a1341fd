"""The programme of measurements for a joint that is recorded, with what is answered already."""

from collections import defaultdict
from collections.abc import Mapping, Sequence

from replay.measure.evidence import MOST_ROWS, joint_facts, measured_joint
from replay.measure.plan import PlanStep, plan_steps
from replay.measure.readiness.judge import ReadinessJudge
from replay.measure.readiness.needed import Needed
from replay.recording import Recording

__all__ = ["joint_programme", "kept_kinds", "needed_of"]


def kept_kinds(recordings: Sequence[Recording]) -> Mapping[str, frozenset[str]]:
    """Return for each joint of which a finding is kept the kinds of these."""
    kinds = defaultdict(set)
    for one in recordings:
        for found in one.read_findings().current:
            kinds[found.joint].add(found.kind)
    return {joint: frozenset(names) for joint, names in kinds.items()}


def joint_programme(
    recordings: Sequence[Recording],
    joint: str | None = None,
    kept: Mapping[str, frozenset[str]] | None = None,
    needed: Sequence[Needed] = (),
) -> tuple[PlanStep, ...]:
    """Return the programme of a joint: levels by its rated values, and which kinds are kept.

    Without recordings the programme of any joint.

    Parameters
    ----------
    kept
        `kept_kinds` of the recordings, for whoever asks for several joints; None: read now.
    needed
        What the newest recording holds of kinds already, as `ReadinessJudge` tells.

    Raises
    ------
    InputError
        There are several joints and none was named, or a recording does not have it.
    """
    if not recordings:
        return plan_steps()
    name = measured_joint(recordings, joint)
    facts = joint_facts(max(recordings, key=lambda one: one.start_ns), name)
    known = kept_kinds(recordings) if kept is None else kept
    return plan_steps(
        rated_torque_Nm=facts.rated_torque,
        per_ampere=facts.per_ampere,
        answered=known.get(name, frozenset()),
        needed=needed,
    )


def needed_of(recordings: Sequence[Recording], joint: str | None = None) -> tuple[Needed, ...]:
    """Return what the newest of some recordings holds of each kind; nothing without one.

    Raises
    ------
    InputError
        There are several joints and none was named, or a recording does not have it.
    """
    if not recordings:
        return ()
    name = measured_joint(recordings, joint)
    # A person who asked once waits for all of it.
    judge = ReadinessJudge(most_rows=MOST_ROWS)
    return judge.judge(max(recordings, key=lambda one: one.start_ns), name)
