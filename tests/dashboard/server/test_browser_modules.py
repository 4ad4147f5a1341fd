"""The pages' JavaScript is served as one version of modules."""

import json
import re
from pathlib import Path

import pytest

from dashboard.server.browser_modules import BrowserModules


@pytest.fixture
def assets(tmp_path: Path) -> Path:
    """Return a folder of two modules and what is none."""
    (tmp_path / "live").mkdir()
    (tmp_path / "main.mjs").write_text('import "./live/page.mjs";\n', "utf-8")
    (tmp_path / "live" / "page.mjs").write_text("export const page = 1;\n", "utf-8")
    (tmp_path / "types.d.ts").write_text("", "utf-8")
    (tmp_path / "secret.txt").write_text("secret", "utf-8")
    return tmp_path


def test_a_module_is_javascript_and_kept(assets: Path):
    """A browser refuses a module of another type; one of this version may be kept for ever."""
    modules = BrowserModules(assets)
    for name in ("main.mjs", "live/page.mjs", "plotly.min.js"):
        answer = modules.answer(name)
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/javascript")
        assert "immutable" in answer.headers["cache-control"]
    assert modules.answer("main.mjs").body == (assets / "main.mjs").read_bytes()


def test_nothing_else_is_served(assets: Path):
    """Only modules: no other file of the folder, and none beside it."""
    modules = BrowserModules(assets)
    for name in ("secret.txt", "types.d.ts", "../main.mjs", "live/../main.mjs", "", "nowhere.mjs"):
        assert modules.answer(name).status_code == 404


def test_another_text_is_another_address(assets: Path):
    """What a browser has kept of an old version is never asked for again."""
    before = BrowserModules(assets).base
    assert BrowserModules(assets).base == before
    (assets / "live" / "page.mjs").write_text("export const page = 2;\n", "utf-8")
    changed = BrowserModules(assets).base
    assert changed != before
    (assets / "live" / "page.mjs").rename(assets / "page.mjs")
    assert BrowserModules(assets).base not in {before, changed}


def test_the_head_names_all_of_one_version(assets: Path):
    """Plotly by the import map, then every module ahead of its use, then the one that begins."""
    modules = BrowserModules(assets)
    head = modules.head()
    imports = json.loads(re.findall(r'<script type="importmap">(.*?)</script>', head)[0])
    assert imports == {"imports": {"plotly": f"{modules.base}/plotly.min.js"}}
    assert head.index("importmap") < head.index("modulepreload") < head.index('type="module"')
    assert re.findall(r'modulepreload" href="([^"]+)"', head) == [
        f"{modules.base}/live/page.mjs",
        f"{modules.base}/main.mjs",
    ]
    assert f'src="{modules.base}/main.mjs"' in head
