"""The browser's modules: their own tests, and what holds for all their files."""

import re
import subprocess
from pathlib import Path

import pytest

from tests.support.browser import required
from tests.support.node import OLDEST, find_node

HERE = Path(__file__).parent
ASSETS = Path(__file__).parents[3] / "dashboard" / "assets"
MODULES = sorted(ASSETS.rglob("*.mjs"))
IMPORT = re.compile(r'^(?:import [^"]*|\} from )"([^"]+)";', re.MULTILINE)
LINE_MAX = 120
CLASS_MAX = 265
"""A class of more lines than about 250 is two ideas."""


def test_the_modules_do_what_their_tests_say():
    """`node --test` over the files beside this one; without a Node skip, saying so."""
    node = find_node()
    if node is None:
        reason = f"there is no Node {OLDEST} or newer to test the pages' JavaScript with"
        if required():
            pytest.fail(reason)
        pytest.skip(reason)
    files = sorted(str(path) for path in HERE.glob("*.test.mjs"))
    assert files
    done = subprocess.run(
        [node, "--test", *files], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ASSETS).as_posix())
def test_a_module_is_small_and_checked(path: Path):
    """Types are checked, lines and classes are short, and nothing hangs on a global name."""
    text = path.read_text("utf-8")
    lines = text.splitlines()
    assert lines[0] == "// @ts-check"
    assert not [line for line in lines if len(line) > LINE_MAX]
    assert len(lines) <= 400
    assert "window.dutytrace" not in text
    starts = [i for i, line in enumerate(lines) if re.match(r"(export )?class ", line)]
    for start in starts:
        assert lines.index("}", start) - start <= CLASS_MAX


def test_modules_import_what_there_is():
    """Every import is a relative path to a module; plotly alone is named by the import map."""
    for path in MODULES:
        for target in re.findall(IMPORT, path.read_text("utf-8")):
            assert (path.parent / target).resolve() in MODULES, (path.name, target)
