"""What scripts read: the keys of every `--json` answer, in order, and nothing beside them."""

import json
from pathlib import Path
from typing import Any

import pytest

from logger.simulate import scenario
from replay.recording import Recording
from tests.support.command import run
from tests.support.heat_recordings import record_stepped
from tests.support.instrument_clocks import record_pair

ROWS = {"rows": int}
SHAPES: dict[str, Any] = {
    "check": {
        "format": int, "whole": bool, "live": bool, "joints": {"shoulder": ROWS, "elbow": ROWS},
        "frames": int, "dropped": int,
        "standstills": {"count": int, "longest_s": float, "unknown_losses": int}, "garbled": int,
        "damaged": int, "skipped": int,
        "gaps": [{"joint": str, "start": str, "duration_s": float, "cause": str}],
        "cut_short": [{"after": str, "lost_at_most_s": float}],
        "misplaced": [{"part": str, "expected": dict, "found": dict | None}],
        "positions": [{"joint": str, "lost": int, "found": {"standstill": int}}],
        "missing": [str],
        "frames_let_go": [{"start": str, "end": str, "frames": int}],
    },
    "excursions": {
        "format": int,
        "excursions": [
            {
                "joint": str, "limit": str, "severity": str, "channel": str, "start": str,
                "duration_s": float, "peak": float, "ongoing": bool,
                "rms_torque_Nm": {"60": float, "300": float, "900": float}, "near": [str],
                "load_before": [{"span_s": int, "since_start": bool, "rms_torque_Nm": float}],
            }
        ],
        "not_judged": [
            {"joint": str, "limit": str, "start": str, "duration_s": float, "ongoing": bool}
        ],
    },
    "decode": {
        "format": int, "joint": str, "frame": str, "bus": str,
        "readings": {
            "temperature_housing_degC": float, "temperature_drive_degC": float,
            "voltage_V": float, "fault_code": float,
        },
        "bytes": [{"byte": int, "value": int, "of": [str]}],
        "values": [
            {
                "name": str, "raw": int, "bits": int, "how": str, "result": float, "unit": str,
                "words": str,
            }
        ],
        "said": [str],
    },
    "limits check": {
        "format": int,
        "limits": [
            {
                "limit": str, "kind": str, "severity": str, "joints": [str], "words": str,
                "shares": [str], "not_judged": [str],
            }
        ],
    },
    "plan check": {
        "format": int, "name": str, "joint": str | None, "cycles": str,
        "keeps": str,
        "stages": [{"stage": str, "ends_by": str, "words": str, "watch": [str]}],
    },
    "cycles": {
        "format": int, "joint": str,
        "counts": {"whole": int, "paused": int, "short": int, "gap": int},
        "cycles": [dict],
    },
    "limits curve": {
        "format": int, "curve": str, "title": str,
        "rows": [{"multiple": float, "current": float, "time_s": float | None}],
    },
    "bus": {
        "format": int, "healthy": bool, "span_s": float, "said": [str],
        "buses": [
            {
                "bus": str, "channel": str, "bitrate_bit_per_s": int | None, "healthy": bool,
                "frames": int, "frames_per_s": float, "load": float | None, "identifiers": [dict],
                "undecoded": {}, "error_frames": int, "error_classes": {}, "remote_frames": int,
                "lost_frames": int, "garbled": int, "silent_joints": [str],
                "requests": {}, "unanswered": {}, "hints": [str],
            }
        ],
    },
    "heat": {
        "format": int, "joint": str, "nodes": int, "speed_loss": str,
        "quantities": [
            {
                "name": str, "known": bool, "value": float | None, "unit": str,
                "standard_uncertainty": float | None, "low": float | None, "high": float | None,
                "method": str,
            }
        ],
        "unknown": [{"name": str, "remedies": [str]}], "recordings": [str], "spans_ns": [list],
        "hours": float, "skipped_s": float, "load_channel": str, "sensors": [str],
        "residual_K": float, "left_out_K": float | None, "changed": bool,
        "changes": [
            {
                "at": str, "at_first": str, "at_last": str, "cause": str, "cause_known": bool,
                "size": [float], "gain": float, "rivals": [{"cause": str, "gain": float}],
            }
        ],
        "neighbours": [dict],
        "equilibrium": dict | None, "limit_node": str, "limit_degC": float | None,
        "load_unit": str, "torque_per_ampere": float | None,
        "peaks": [{"source": str, "load": float, "limit": str | None}],
        "ambient_is_idle": bool,
        "for_ever": [
            {
                "ambient_degC": float, "rotating": [float], "rotating_A": list | None,
                "holding": [float], "holding_A": list | None,
            }
        ],
        "held_at_degC": float | None,
        "held_at_standstill": bool,
        "held_for": [
            {
                "load": float, "current_A": float | None, "beyond": [str],
                "cold_s": [float | None], "warm_s": [float | None],
            }
        ],
        "assumptions": [str], "cautions": [str], "kept": str | None,
        "planned": dict | None,
    },
    "findings": {
        "format": int,
        "findings": [
            {
                "id": str, "replaces": str | None, "kind": str, "joint": str, "serial": str,
                "type": str,
                "quantities": [
                    {
                        "name": str, "value": float, "unit": str, "standard_uncertainty": float,
                        "low": float, "high": float, "degrees_of_freedom": float | None,
                        "interval_by": str, "parts": [dict], "conditions": dict,
                    }
                ],
                "method": {"name": str, "source": str}, "settings": dict,
                "spans": [
                    {"recording_id": str, "recording": str, "from_ns": int, "to_ns": int}
                ],
                "typed": [dict], "heat_model": dict | None, "program": str, "made_ns": int,
                "who": str, "made": str, "replaced": bool,
            }
        ],
        "unread": [{"id": str, "reason": str, "text": str}],
    },
    "duty": {
        "format": int, "joint": str, "recording": str, "span_ns": [int], "load_channel": str,
        "unit": str, "held_s": float, "skipped_s": float, "rms": float, "lowest": float,
        "highest": float,
        "windows": [
            {
                "window_s": int, "rms": float, "at_most": float, "start_ns": int,
                "allowed": list | None, "allowed_beyond": [str],
            }
        ],
        "peaks": [{"source": str, "load": float, "limit": str | None}],
        "limit": dict | None, "no_model": str | None, "heat_fault": str | None,
        "rated": float | None, "tightest": dict | None,
        "cycles": [
            {"period_s": [float], "drift_per_h": list | None, "share": float, "blocks": int}
        ],
        "duty": {
            "type": str, "reason": str, "loaded_share": float | None, "loaded_rms": float | None,
            "varying": bool, "lasted_s": float | None, "rest_s": float | None,
        },
        "work": dict | None, "copper": dict | None, "map": dict | None,
        "load_ranges": {
            "edges": [float], "count": [float], "largest": float, "slope": float,
            "equivalent": float, "ignored_below": float,
        },
        "temperature_ranges": dict, "assumptions": [str], "cautions": [str],
    },
    "sheet": {
        "format": int,
        "specimens": [
            {
                "specimen": str, "joint": str, "serial": str, "type": str, "recordings": [str],
                "recorded_h": float,
                "rows": [
                    {
                        "quantity": str, "unit": str, "claim": dict | None,
                        "measured": {
                            "value": float, "standard_uncertainty": float, "low": float,
                            "high": float, "degrees_of_freedom": float | None, "interval_by": str,
                            "conditions": dict, "spread": float,
                            "findings": [
                                {
                                    "id": str, "kind": str, "recording": str, "running_h": float,
                                    "value": float, "low": float, "high": float, "gone": bool,
                                    "corrected": dict | None,
                                    "spans": [dict],
                                }
                            ],
                        },
                        "verdict": str, "short_by": list | None, "apart": [dict], "held_by": str,
                        "repeat": dict | None, "trend": dict | None, "to_do": str,
                    }
                ],
            }
        ],
        "comparison": dict | None,
        "notes": [{"kind": str, "subject": str, "detail": str}],
    },
    "measure backlash": {
        "format": int, "kind": str, "joint": str, "method": str, "source": str, "answer": str,
        "quantities": [
            {
                "name": str, "value": float, "unit": str, "standard_uncertainty": float | None,
                "low": float | None, "high": float | None, "dof": float | None, "interval": str,
                "upper_limit": bool,
                "parts": [
                    {"source": str, "contribution": float, "dof": float | None, "shared": bool}
                ],
                "at": dict,
            }
        ],
        "unknown": [{"name": str, "why": str, "steps": [str]}], "remarks": [str],
        "assumptions": [str], "instruments": [str], "picture": dict, "total_arcmin": float,
        "either_side_arcmin": float, "uncertainty_arcmin": float | None, "readings": [str],
        "recordings": [str], "spans": [{"name": str, "start_ns": int, "end_ns": int}],
        "cautions": [str], "kept": str | None, "taken_over": dict | None,
    },
    "measure plan": {
        "format": int,
        "steps": [
            {
                "number": int, "kind": str, "why": str, "levels": str, "takes": str,
                "answered": bool, "needed": dict | None, "cautions": [str], "steps": [str],
                "command": str,
            }
        ],
        "heat": dict | None,
    },
    "export": {"format": int, "file": str, "rows": int},
    "cut": {
        "format": int, "recording": str, "start": str, "duration_s": float,
        "joints": {"shoulder": ROWS, "elbow": ROWS}, "frames": int, "standing": int,
        "missing": [str],
    },
    "import": {
        "format": int, "recording": str, "joints": {"arm": ROWS}, "rows": int,
        "unread": [{"column": str, "unread": int, "blank": int, "first": [dict],
            "blank_rows": [int]}], "said": [str],
    },
    "join": {
        "format": int, "recording": str, "sensor": str, "rows": int, "outside": int,
        "unread": [{"column": str, "unread": int, "blank": int, "first": [dict],
            "blank_rows": [int]}], "said": [str],
    },
    "clock": {
        "format": int, "sensor": str, "sensor_channel": str, "joint": str, "channel": str,
        "period_s": float, "stamp_step_s": float, "offset_s": float, "offset_interval_s": [float],
        "drift_ppm": float, "drift_interval_ppm": [float], "lag_s": float,
        "lag_interval_s": [float], "averaged_share": float, "explained": float, "windows": int,
        "readings": int, "rivals_s": [float], "cautions": [str], "in_force": dict | None,
        "applied": bool,
    },
    "redecode": {
        "format": int, "recording": str, "joints": {"shoulder": ROWS, "elbow": ROWS},
        "frames": int, "undecoded": int, "not_decoded_for": dict,
        "sent_by_logging_program": int, "said": [str],
    },
    "pack": {"format": int, "file": str, "bytes": int},
    "unpack": {"format": int, "recording": str},
}  # fmt: skip
BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n'


def _hold(found: object, shape: Any, where: str) -> None:
    """Hold an answer against its shape: the same keys in the same order, all the way down."""
    if isinstance(shape, dict):
        assert isinstance(found, dict), where
        assert list(found) == list(shape), where
        for key, inner in shape.items():
            _hold(found[key], inner, f"{where}.{key}")
    elif isinstance(shape, list):
        assert isinstance(found, list), where
        for one in found:
            _hold(one, shape[0], f"{where}[]")
    else:
        assert isinstance(found, shape), f"{where}: {found!r}"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with what the commands below are given."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "arm.toml").write_text(scenario.scenario_bench_text("can0"), encoding="utf-8")
    (tmp_path / "arm.csv").write_text("t,I\n1,2\n2,\n3,x\n4,5\n", encoding="utf-8")
    (tmp_path / "limits.toml").write_text(scenario.scenario_limits_text(), encoding="utf-8")
    (tmp_path / "plan.toml").write_text(
        'format = 1\nname = "n"\n[[stage]]\nname = "s"\ncycles = 3\n', encoding="utf-8"
    )
    record_stepped(tmp_path / "stepped", winding=False)
    record_pair(tmp_path / "paired")
    return tmp_path


def test_every_answer_keeps_its_keys(folder: Path, overheat: Recording):
    """One line of JSON each: format 1 first, keys in their order, units in the keys."""
    rec = str(overheat.path)
    commands = {
        "check": [rec],
        "excursions": [rec],
        "decode": ["bench.toml", "0x4D6", "60C9 56 00 4F"],
        "limits check": ["limits.toml", "--bench", "arm.toml"],
        "plan check": ["plan.toml"],
        "cycles": [rec, "--joint", "shoulder"],
        "limits curve": ["A"],
        "bus": ["bench.toml", "--for", "0.2s"],
        "heat": ["stepped", "--hottest", "80degC", "--keep"],
        "findings": ["stepped"],
        "duty": ["stepped"],
        "sheet": ["--folder", "stepped"],
        "measure backlash": [
            *("--reading", "arm=344 mm +- 0.5 mm", "--reading", "play=1 mm"),
            *("--division", "play=1 mm"),
        ],
        "measure plan": [rec, "--joint", "elbow"],
        "export": [rec, "--out", "some.csv", "--to", "5s"],
        "cut": [rec, "--out", "piece", "--from", "10s", "--to", "40s"],
        "import": [
            "arm.csv",
            "--time",
            "t",
            "--joint",
            "arm",
            "--column",
            "current_A=I",
            "--out",
            "table",
        ],
        "join": ["table", "arm.csv", "--time", "t", "--column", "current_A=I", "--name", "clamp"],
        "clock": ["paired", "clamp", "--within", "10s"],
        "redecode": ["piece", "--bench", "arm.toml", "--out", "again"],
        "pack": ["piece", "--out", "piece.tar"],
        "unpack": ["piece.tar", "--recordings", "theirs"],
    }
    assert list(commands) == list(SHAPES)
    for command, words in commands.items():
        done = run(*command.split(), *words, "--json", cwd=folder)
        assert len(done.stdout.splitlines()) == 1, f"{command}: {done.stderr}"
        _hold(json.loads(done.stdout), SHAPES[command], command)
