"""Who is who on a bench: labels and serials that tell its joints apart. Pure."""

from collections.abc import Iterable, Mapping

from logger.errors import InputError, Mistake
from logger.joint.bench.joint_settings import JointSettings

__all__ = ["check_labels_differ", "check_serials_differ"]


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


def check_serials_differ(joints: Iterable[JointSettings], where: str) -> None:
    """Refuse two joints of one serial: a specimen is one joint."""
    name_by_serial: dict[str, str] = {}
    for index, joint in enumerate(joints):
        if not joint.serial:
            continue
        other = name_by_serial.setdefault(joint.serial, joint.name)
        if other != joint.name:
            raise InputError(
                mistakes=[
                    Mistake(
                        where=where,
                        key=("joint", index, "serial"),
                        name=joint.name,
                        found=f"{joint.serial!r}, which is that of {other!r}, too",
                        expected="another one for each joint",
                    )
                ]
            )
