"""Two specimens of one kind that were measured on several days, for pictures of the Data sheet."""

from pathlib import Path
from typing import Final

from logger.findings.finding import Method, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from logger.store.repair.keep_finding import keep_finding
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS

CLAIMS: Final = """type = "JX-80"
mounting = "on a 300 x 300 x 10 mm aluminium plate"
[joint.claims]
peak_torque_Nm = 24.0
continuous_torque_Nm = { value = 9.0, ambient_degC = 25 }
torque_per_ampere_Nm_A = 1.52
backlash_arcmin = 10.0
breakaway_torque_Nm = 0.60
gear_ratio_1 = 80.0
mass_kg = 0.61
"""
_DAYS: Final = (
    ("A-0017", {"peak_torque": 24.9, "torque_per_ampere": 1.53, "backlash": 8.4}),
    ("A-0018", {"peak_torque": 22.1, "backlash": 10.2, "breakaway_torque": 0.71}),
    ("A-0017", {"backlash": 8.9, "breakaway_torque": 0.52, "gear_ratio": 80.0}),
    ("A-0017", {"backlash": 9.3, "continuous_torque": 8.1}),
)
"""Serial and what was found, day by day."""
_SCATTER: Final = {
    "peak_torque": ("N.m", 0.25),
    "continuous_torque": ("N.m", 0.2),
    "torque_per_ampere": ("N.m/A", 0.012),
    "backlash": ("'", 0.3),
    "breakaway_torque": ("N.m", 0.05),
    "gear_ratio": ("1", 0.002),
}
"""Quantity -> its unit and the standard uncertainty of its readings."""


def record_specimens(folder: Path) -> None:
    """Record two joints on four days, and keep what was found about them."""
    for day, (serial, found) in enumerate(_DAYS):
        recording = small_recording(
            folder / f"bench-day-{day + 1}",
            start_ns=START_NS + day * 86_400 * S,
            settings=f'label = "shoulder"\nserial = "{serial}"\n{CLAIMS}',
        )
        for name, value in found.items():
            unit, scatter = _SCATTER[name]
            parts = (
                UncertaintyPart(source="readings", contribution=scatter, degrees_of_freedom=6.0),
                UncertaintyPart(source="arm 344 mm", contribution=scatter / 4, shared=True),
            )
            quantities = (quantity_from_parts(name, value, unit, parts),)
            method = Method(name="on the bench")
            finding = play_finding(recording, kind=name, quantities=quantities, method=method)
            keep_finding(recording.path, finding)
