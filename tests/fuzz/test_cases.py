"""A share of the fuzz target with a fixed seed, and that it finds what it is to find."""

from pathlib import Path

import pytest

import dutytrace
from logger.errors import InputError
from tests.fuzz.cases import Bench
from tests.fuzz.corpus import make_corpus
from tests.fuzz.pool import run_cases

SEED = 7
CASES = 25


def test_no_input_ends_in_a_traceback(tmp_path: Path):
    """Damaged recordings, changed settings and tars, hostile requests: `make fuzz` runs more."""
    failed = run_cases(tmp_path, seed=SEED, numbers=range(CASES), jobs=2, limit_s=180.0)
    assert not failed, "\n".join(
        f"python -m tests.fuzz --seed {SEED} --case {number}\n" + "\n".join(faults)
        for number, faults in sorted(failed.items())
    )


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Return a bench that runs cases in this process."""
    for name in ("corpus", "work"):
        (tmp_path / name).mkdir()
    return Bench(make_corpus(tmp_path / "corpus"), tmp_path / "work")


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (KeyError("joint"), "KeyError"),
        (RecursionError(), "RecursionError"),
        (SystemExit(130), "exit status 130"),
        (SystemExit(2), "without a word"),
    ],
)
def test_a_command_that_fails_is_found(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, fault: BaseException, words: str
):
    """A traceback, a status that no table lists, a refusal without a reason."""

    def fail(**_: object) -> None:
        raise fault

    monkeypatch.setattr(dutytrace, "app", fail)
    faults, told = bench.run(SEED, 1)
    assert words in faults[0]
    assert told[-1].startswith("dutytrace ")


def test_a_refusal_is_no_fault(bench: Bench, monkeypatch: pytest.MonkeyPatch):
    """With its sentence, and exit status 2."""

    def refuse(**_: object) -> None:
        raise InputError("x: found this, expected that.")

    monkeypatch.setattr(dutytrace, "app", refuse)
    assert bench.run(SEED, 1)[0] == []
