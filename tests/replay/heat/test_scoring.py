"""The search against certified fits: NIST's non-linear regression sets (StRD), six digits.

The sets stand in `certified/` as NIST publishes them (public domain).
"""

from pathlib import Path

import numpy as np
import pytest

from replay.heat.scoring import Evaluation, maximise_likelihood

CERTIFIED = Path(__file__).parent / "certified"
MODELS = {
    "Misra1a": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "BoxBOD": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
}


def read_set(name: str):
    """Return starts (two), certified parameters with their deviations, y and x of a set."""
    lines = (CERTIFIED / f"{name}.dat").read_text("ascii").splitlines()
    rows = [line.split("=")[1].split() for line in lines if line.strip().startswith("b")]
    table = np.array([[float(part) for part in row] for row in rows if len(row) == 4])
    begin = max(index for index, line in enumerate(lines) if line.startswith("Data:")) + 1
    data = np.array([[float(part) for part in line.split()] for line in lines[begin:] if line])
    return table[:, :2].T, table[:, 2], table[:, 3], data[:, 0], data[:, 1]


def least_squares(model, y, x):
    """Return log-likelihood and evaluation of a Gaussian of unit variance, by differences."""

    def log(b):
        with np.errstate(over="ignore", invalid="ignore"):
            residual = y - model(b, x)
            return -0.5 * float(residual @ residual)

    def evaluate(b):
        steps = np.diag(np.maximum(np.abs(b), 1e-8) * 1e-6)
        with np.errstate(over="ignore", invalid="ignore"):
            jacobian = np.stack(
                [(model(b + s, x) - model(b - s, x)) / (2 * s.sum()) for s in steps], axis=1
            )
        return Evaluation(
            log=log(b),
            gradient=jacobian.T @ (y - model(b, x)),
            information=jacobian.T @ jacobian,
        )

    return log, evaluate


@pytest.mark.parametrize(
    ("name", "start"), [("Misra1a", 0), ("Misra1a", 1), ("BoxBOD", 1), ("MGH17", 1)]
)
def test_certified_digits(name: str, start: int):
    """Six digits of every parameter and of its standard deviation.

    The first starts of the other two are so far off that any search from one start ends elsewhere:
    a fit of heat has several.
    """
    starts, certified, deviations, y, x = read_set(name)
    log, evaluate = least_squares(MODELS[name], y, x)
    found = maximise_likelihood(log, evaluate, starts[start], most_steps=2000, tolerance=1e-20)
    assert found.parameters == pytest.approx(certified, rel=1e-6)
    variance = -2.0 * found.at.log / (len(y) - len(certified))
    covariance = variance * np.linalg.inv(found.at.information)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(deviations, rel=1e-5)


def test_a_line_is_found_in_two_steps():
    """Where the likelihood is Gaussian and the model linear, information is all that is needed."""
    x = np.linspace(0.0, 10.0, 30)
    log, evaluate = least_squares(lambda b, x: b[0] + b[1] * x, 3.0 - 0.5 * x, x)
    found = maximise_likelihood(log, evaluate, np.array([50.0, 9.0]), damping=1e-12)
    assert found.parameters == pytest.approx([3.0, -0.5], rel=1e-6)
    assert found.converged


def test_a_step_is_no_longer_than_it_may_be():
    """A parameter that may not change does not; the others find the best for it."""
    x = np.linspace(0.0, 10.0, 30)
    log, evaluate = least_squares(lambda b, x: b[0] + b[1] * x, 3.0 - 0.5 * x, x)
    found = maximise_likelihood(
        log, evaluate, np.array([3.0, 2.0]), longest_step=np.array([0.0, 0.1])
    )
    assert found.parameters == pytest.approx([3.0, -0.5], rel=1e-4)
