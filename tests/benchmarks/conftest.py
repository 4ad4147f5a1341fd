"""What all benchmarks share: their figures as one table at the end of the run."""

import pytest

from tests.benchmarks.measure import table_lines


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the table below pytest's own summary of the tests."""
    if lines := table_lines():
        terminalreporter.section("figures")
        for line in lines:
            terminalreporter.write_line(line)
