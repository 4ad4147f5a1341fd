"""Who is who on a bench: labels and serials that tell its joints apart. Pure."""

from collections.abc import Iterable, Mapping

from logger.errors import InputError, Mistake
from logger.joint.bench.joint_settings import JointSettings

__all__ = ["check_labels_differ", "check_specimens"]


def check_labels_differ(labels: Mapping[str, str], where: str) -> None:
    """Refuse two joints that people could not tell apart; `labels` by name."""
    name_by_label: dict[str, str] = {}
    for name, label in labels.items():
        other = name_by_label.setdefault(label, name)
        if other != name:
            raise InputError(
                f"{where}: joint {name!r}: found the label {label!r}, which is that of {other!r}, "
                "too; expected another one for each."
            )


def check_specimens(joints: Iterable[JointSettings], where: str) -> None:
    """Refuse two joints of one serial, a serial of nothing, and claims below zero.

    Of a bench file alone: a recording that has them is read as it is.
    """
    name_by_serial: dict[str, str] = {}
    mistakes = []
    for index, joint in enumerate(joints):
        found = expected = ""
        if joint.serial.strip():
            other = name_by_serial.setdefault(joint.serial, joint.name)
            if other != joint.name:
                found = f"{joint.serial!r}, which is that of {other!r}, too"
                expected = "another one for each joint"
        elif "serial" in joint.model_fields_set:
            found = repr(joint.serial)
            expected = "what stands on the joint; without one leave the line away"
        if found:
            mistakes.append(
                Mistake(
                    where=where,
                    key=("joint", index, "serial"),
                    name=joint.name,
                    found=found,
                    expected=expected,
                )
            )
        mistakes += [
            Mistake(
                where=where,
                key=("joint", index, "claims", key),
                name=joint.name,
                found=f"{claim.value:g}",
                expected="0 or more: a data sheet states amounts",
            )
            for key, claim in joint.claims.items()
            if claim.value < 0.0
        ]
    if mistakes:
        raise InputError(mistakes=mistakes)
