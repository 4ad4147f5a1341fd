"""A fitted joint kept in a finding, and taken from it in place of a fit.

What is kept is the whole model with its covariance; draws of it stand for what its fit left open.
"""
# ruff: noqa: N802, N806 - units are written as units are

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.findings.finding import Finding, KeptModel, current_findings
from logger.heat.fitted import drawn_joints_of
from logger.joint.thermal.thermal_load import JointHeat, Node
from replay.heat.answers import DRAWS, slow_time_s
from replay.heat.bench_model import thermal_settings
from replay.heat.fit import HOUSING_SHARE, HeatFit
from replay.recording import Recording

__all__ = ["KeptHeat", "kept_heat", "model_to_keep"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptHeat:
    """A joint as a finding has it: what a fit of it would tell, as far as loads are asked for."""

    finding: Finding
    model: KeptModel
    joints: tuple[JointHeat, ...]
    """The likeliest joint, and after it draws of what its fit left open."""

    @property
    def node(self) -> Node:
        """The node that a limit is for: it carried a sensor."""
        thermal = self.model.thermal
        if thermal.winding_rise is None:
            return Node(thermal.sensor.split("_")[1])
        is_read = "temperature_winding_degC" in str(self.finding.settings.get("sensors"))
        return Node.WINDING if is_read else Node.HOUSING

    @property
    def is_load_known(self) -> bool:
        """A model is kept only where a load follows from it."""
        return True

    @property
    def has_changed(self) -> bool:
        """A model is kept only of a joint that stayed as it was."""
        return False

    @property
    def shortest_known_s(self) -> float:
        """As of a fit: below it the winding decides, which nothing is told of."""
        return 0.0 if self.node is Node.WINDING else HOUSING_SHARE * slow_time_s(self.joints[0])

    @property
    def has_room(self) -> bool:
        """Whether standby was told apart from the ambient."""
        return self.model.thermal.standby_rise_K is not None

    @property
    def idle_degC(self) -> float:
        """Mean ambient, with the standby rise in it where the room was not known."""
        return self.model.ambient_degC

    @property
    def load_unit(self) -> str:
        """UCUM: N.m, or A where no torque constant was declared."""
        is_torque = self.model.thermal.load == "torque_Nm" or self.model.torque_per_ampere
        return "N.m" if is_torque else "A"

    @property
    def load_factor(self) -> float:
        """Load in `load_unit` for one of what was squared."""
        if self.model.thermal.load == "torque_Nm":
            return 1.0
        return self.model.torque_per_ampere or 1.0


def model_to_keep(fit: HeatFit, fitted: datetime.date) -> KeptModel | None:
    """Return the model of a fit; None where no load follows from it."""
    if not fit.is_load_known:
        return None
    return KeptModel(
        thermal=thermal_settings(fit, fitted),
        ambient_degC=fit.idle_degC,
        torque_per_ampere=fit.torque_per_ampere,
    )


def kept_heat(recordings: Sequence[Recording], joint: str) -> KeptHeat | None:
    """Return the newest model that was kept of a joint and stands on all these recordings."""
    wanted = {one.manifest.recording_id for one in recordings}
    if "" in wanted:
        return None
    models = [
        (finding, model)
        for finding, model in _models(recordings, joint)
        if wanted <= {span.recording_id for span in finding.spans}
    ]
    if not models:
        return None
    finding, model = models[-1]
    settings = recordings[0].bench.joint_named(joint)
    reference_degC = settings.winding.reference_degC if settings.winding else 20.0
    joints = drawn_joints_of(model.thermal, reference_degC, DRAWS)
    return KeptHeat(finding=finding, model=model, joints=joints)


def _models(recordings: Sequence[Recording], joint: str) -> Iterator[tuple[Finding, KeptModel]]:
    """Yield current findings that have a model, in order of when they were made."""
    every = [one for recording in recordings for one in recording.read_findings().findings]
    for finding in current_findings(every):
        if finding.kind == "heat" and finding.joint == joint and finding.heat_model is not None:
            yield finding, finding.heat_model
