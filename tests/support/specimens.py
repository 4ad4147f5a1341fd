"""Specimens with claims and findings, without a recording."""

from replay.sheet.specimens import Specimen
from tests.support.one_joint import MOTOR, one_joint_bench


def specimen_of(claims: str, quantities, **fields) -> Specimen:
    """Return a specimen; `claims`: lines of `[joint.claims]`, `fields`: others of its own."""
    bench = one_joint_bench(MOTOR, f"[joint.claims]\n{claims}\n" if claims else "")
    return Specimen(
        **{
            "key": "A-1",
            "name": "a",
            "label": "a",
            "serial": "A-1",
            "type": "",
            "claims": bench.claims_of(bench.joint_named("a")),
            "quantities": tuple(quantities),
            "recordings": ("r",),
            "recorded_h": 2.0,
            "notes": (),
            **fields,
        }
    )
