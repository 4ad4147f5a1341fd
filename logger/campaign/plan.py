"""plan.toml -> a checked plan, and its check against a bench: what can never come there."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from logger.campaign.cycle_figures import MISSING_FIGURE, cycle_figure_names
from logger.campaign.cycle_rule import COURSE_CHANNELS
from logger.campaign.plan_settings import PlanSettings, StageEnd, StageSettings
from logger.errors import InputError, Mistake
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.channels import channel_named
from logger.settings_file import did_you_mean, read_text, read_toml, validate_settings

__all__ = ["check_plan_for_bench", "parse_plan", "plan_joint", "read_plan"]


def read_plan(path: Path) -> PlanSettings:
    """Return the plan of a file.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    return parse_plan(read_text(path, "plan file"), str(path))


def parse_plan(text: str, where: str) -> PlanSettings:
    """Return the plan of a text; `where` is the file's name, for errors (`InputError`)."""
    return validate_settings(PlanSettings, read_toml(text, where), where)


def plan_joint(plan: PlanSettings, bench: Bench, where: str) -> JointSettings:
    """Return the joint that a plan is about.

    Raises
    ------
    InputError
        The bench has no such joint, or several and the plan names none.
    """
    joints = {one.name: one for one in bench.joints if one.name not in bench.sensors}
    name = plan.joint
    if name is None and len(joints) == 1:
        return next(iter(joints.values()))
    if name is None:
        raise InputError(
            where=where,
            key=("joint",),
            found="no joint",
            expected=f"one of the bench's {len(joints)}: {', '.join(joints)}",
        )
    if name not in joints:
        raise InputError(
            where=where,
            key=("joint",),
            found=repr(name),
            expected="a joint of the bench",
            hint=did_you_mean(name, list(joints)).strip(),
        )
    return joints[name]


def check_plan_for_bench(plan: PlanSettings, bench: Bench, where: str) -> None:
    """Refuse a plan that can never end on a bench, or watches what nobody reports.

    Raises
    ------
    InputError
        With one mistake for each.
    """
    joint = plan_joint(plan, bench, where)
    mistakes = [*_cycle_mistakes(plan, bench, joint)]
    for index, stage in enumerate(plan.stage):
        mistakes += _stage_mistakes(plan, stage, index, bench, joint)
    if mistakes:
        raise InputError(mistakes=[replace(one, where=where) for one in mistakes])


def _cycle_mistakes(plan: PlanSettings, bench: Bench, joint: JointSettings) -> Iterator[Mistake]:
    channel = plan.cycle.channel if plan.cycle else None
    known = bench.channels_of(joint)
    if channel is not None and channel not in known:
        yield Mistake(
            key=("cycle", "channel"),
            found=f"{channel!r}, which {joint.name!r} does not report",
            expected="a channel of the joint",
            hint=did_you_mean(channel, known).strip(),
        )
        return
    if plan.cycle is None or channel is None or plan.cycle.above is None:
        return
    one, above = channel_named(channel), plan.cycle.above
    below = above - (plan.cycle.hysteresis or 0.0)
    if not one.lowest < below <= above <= one.highest:
        yield Mistake(
            key=("cycle", "above"),
            found=f"{above:g}, to be reached again from {below:g}, which no {one.label} ever is",
            expected=f"both within {one.lowest:g} to {one.highest:g}",
        )


def _stage_mistakes(
    plan: PlanSettings, stage: StageSettings, index: int, bench: Bench, joint: JointSettings
) -> Iterator[Mistake]:
    known = bench.channels_of(joint)
    end = stage.end
    if end.cycles is not None and plan.cycle is None and not set(COURSE_CHANNELS) & set(known):
        yield Mistake(
            key=("stage", index, "cycles"),
            name=stage.name,
            problem=f"{joint.name!r} reports neither position, torque nor current, so that no "
            "cycle would be found and the plan would never end.",
            hint="Say in [cycle] which channel or note begins one.",
        )
    lowest = min((channel_named(name).lowest for name in _own_temperatures(known)), default=None)
    if end.below_degC is not None and lowest is not None and end.below_degC <= lowest:
        yield Mistake(
            key=("stage", index, "until", "below_degC"),
            name=stage.name,
            found=f"{end.below_degC:g}, below which no reading is taken for one: the plan would "
            "never end",
            expected=f"more than {lowest:g}",
        )
    if key := _lacking_temperature(end, bench, joint):
        lack = f"{joint.name!r} reports no temperature of its own"
        if _own_temperatures(known):
            lack = "nothing on the bench reports an ambient temperature"
        yield Mistake(
            key=("stage", index, "until", key),
            name=stage.name,
            problem=f"{lack}, so that the plan would never end.",
        )
    named = cycle_figure_names(known, has_winding=joint.winding is not None)
    figures = [name for name in named if name != MISSING_FIGURE]
    for at, figure in enumerate(stage.watch):
        if figure not in figures:
            yield Mistake(
                key=("stage", index, "watch", at),
                found=f"{figure!r}, which no cycle of {joint.name!r} has",
                expected="a figure of a cycle",
                hint=did_you_mean(figure, figures).strip(),
            )


def _own_temperatures(known: tuple[str, ...]) -> list[str]:
    return [
        name
        for name in known
        if (one := channel_named(name)).quantity == "temperature"
        and not one.setpoint
        and one.place != "ambient"
    ]


def _lacking_temperature(end: StageEnd, bench: Bench, joint: JointSettings) -> str:
    """Return the key of an end that waits for a temperature that nobody reports, "" for none."""
    key = next(
        (
            name
            for name in ("ambient_within_K", "below_degC", "equilibrium_K_per_h")
            if getattr(end, name) is not None
        ),
        "",
    )
    if not key:
        return ""
    if not _own_temperatures(bench.channels_of(joint)):
        return key
    if key != "ambient_within_K":
        return ""
    ambient = any(
        channel_named(name).place == "ambient"
        for one in bench.joints
        for name in bench.channels_of(one)
    )
    return "" if ambient else key
