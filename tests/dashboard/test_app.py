"""The application of the pages."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_fits_are_loaded_where_something_is_fitted():
    """The server of a page that only shows holds no optimiser and no filters: 40 MB of them."""
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, dashboard.app; print(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout.split()
    assert "dashboard.app" in loaded
    assert not {"scipy.optimize", "scipy.signal", "scipy.stats", "pandas"} & set(loaded)
