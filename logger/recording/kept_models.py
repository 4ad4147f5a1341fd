"""Models of heat that were kept with earlier recordings, for joints whose bench file has none.

Without one a joint's temperatures are not forecast. The newest that was kept of the same joint is
put into the bench of the new recording, with its finding as its source, so that everything that
reads the recording later counts with the same model.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from logger.errors import InputError, OutsideFault
from logger.findings.finding import Finding, current_findings
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.thermal_settings import ModelFinding
from logger.joint.bench.thermal_table import text_with_thermal
from logger.store.layout.files import FINDINGS_FOLDER
from logger.store.layout.manifest import read_manifest
from logger.store.reading.findings import read_findings

__all__ = ["TakenModel", "is_bench_of", "with_kept_models"]

MOST_RECORDINGS: Final = 200
"""The newest that are looked through."""
_MOST_NAME: Final = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenModel:
    """A model that a joint has from a finding."""

    joint: str
    label: str
    finding: str
    """Its id."""
    recording: str
    """The folder that it is kept in."""


def with_kept_models(
    bench: Bench, where: str, recordings: Path
) -> tuple[Bench, tuple[TakenModel, ...]]:
    """Return the bench with a model for each joint that has none and was fitted before.

    Parameters
    ----------
    where
        Names the bench file.
    recordings
        The folder of the earlier recordings.
    """
    missing = [one for one in bench.joints if one.thermal is None and one.name not in bench.sensors]
    kept = list(_kept(recordings)) if missing else []
    text, taken = bench.text, []
    for joint in missing:
        own = [(folder, one) for folder, one in kept if _is_of(one, joint)]
        if not own:
            continue
        folder, finding = max(own, key=lambda each: (each[1].ended_ns, each[1].made_ns))
        model = finding.heat_model
        assert model is not None, "only findings with a model are kept"
        origin = _origin(recordings / folder, finding)
        update: dict[str, object] = {
            "source": f"finding {finding.id[:8]} of {origin.recording}",
            "finding": origin,
        }
        if model.thermal.standby_rise_K is None:
            update["ambient_degC"] = round(model.ambient_degC, 1)
        settings = model.thermal.model_copy(update=update)
        try:
            text = text_with_thermal(text, where, joint.name, settings)
        except InputError:
            # A bench file that cannot be changed in place is recorded with as it is.
            continue
        taken.append(
            TakenModel(
                joint=joint.name,
                label=bench.label_of(joint.name),
                finding=finding.id,
                recording=origin.recording,
            )
        )
    if not taken:
        return bench, ()
    return bench_from_texts(text, bench.layout_texts, where=where), tuple(taken)


def is_bench_of(recorded: Bench, bench: Bench, where: str) -> bool:
    """Return whether a recording began with that bench file, models taken beside it left out."""
    text, mine = bench.text, {one.name: one for one in bench.joints}
    for joint in recorded.joints:
        if joint.thermal is not None and joint.name in mine and mine[joint.name].thermal is None:
            text = text_with_thermal(text, where, joint.name, joint.thermal)
    # Earlier recorders kept the text without the blanks at its ends.
    return text.strip() == recorded.text.strip()


def _kept(recordings: Path) -> Iterator[tuple[str, Finding]]:
    """Yield folder and finding of every model that is kept; what cannot be read is left out."""
    with contextlib.suppress(OSError):
        folders = sorted(recordings.iterdir(), key=lambda one: one.name, reverse=True)
        for folder in folders[:MOST_RECORDINGS]:
            if not (folder / FINDINGS_FOLDER).is_dir():
                continue
            with contextlib.suppress(OutsideFault, InputError, OSError):
                for finding in current_findings(read_findings(folder).findings):
                    if finding.kind == "heat" and finding.heat_model is not None:
                        yield folder.name, finding


def _origin(recording: Path, finding: Finding) -> ModelFinding:
    """Return where a model is from; a recording that cannot be read is named by its folder."""
    # A folder's name may be bytes that are no text.
    folder = recording.name.encode("utf-8", "replace").decode("utf-8")
    name, at_ns = "", finding.ended_ns
    with contextlib.suppress(OutsideFault, InputError, OSError):
        manifest = read_manifest(recording)
        name, at_ns = " ".join(manifest.name.split()), manifest.started_ns
    return ModelFinding(
        id=finding.id,
        recording=folder,
        name=name[:_MOST_NAME] or folder,
        date=datetime.fromtimestamp(at_ns // 1_000_000_000, UTC).date(),
    )


def _is_of(finding: Finding, joint: JointSettings) -> bool:
    """Return whether a finding is of a joint: by serial where both have one, else by name."""
    if finding.serial and joint.serial:
        return finding.serial == joint.serial
    return finding.joint == joint.name
