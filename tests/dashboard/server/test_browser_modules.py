"""The pages' modules and style sheets are served as one version."""

import json
import re
from pathlib import Path

import pytest

from dashboard.server.browser_modules import STYLE_SHEETS, BrowserModules

ASSETS = Path(__file__).parents[3] / "dashboard" / "assets"
SHEETS = ("second.css", "first.css")


@pytest.fixture
def assets(tmp_path: Path) -> Path:
    """Return a folder of two modules, two style sheets and what is neither."""
    (tmp_path / "live").mkdir()
    (tmp_path / "main.mjs").write_text('import "./live/page.mjs";\n', "utf-8")
    (tmp_path / "live" / "page.mjs").write_text("export const page = 1;\n", "utf-8")
    (tmp_path / "second.css").write_text("p { color: red; }\n", "utf-8")
    (tmp_path / "first.css").write_text("p { color: blue; }\n", "utf-8")
    (tmp_path / "types.d.ts").write_text("", "utf-8")
    (tmp_path / "secret.txt").write_text("secret", "utf-8")
    return tmp_path


def test_a_module_is_javascript_and_kept(assets: Path):
    """A browser refuses a module of another type; one of this version may be kept for ever."""
    modules = BrowserModules(assets, SHEETS)
    for name in ("main.mjs", "live/page.mjs", "plotly.min.js"):
        answer = modules.answer(name)
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/javascript")
        assert "immutable" in answer.headers["cache-control"]
    assert modules.answer("main.mjs").body == (assets / "main.mjs").read_bytes()


def test_nothing_else_is_served(assets: Path):
    """Only modules: no other file of the folder, and none beside it."""
    modules = BrowserModules(assets, SHEETS)
    for name in ("secret.txt", "types.d.ts", "../main.mjs", "live/../main.mjs", "", "nowhere.mjs"):
        assert modules.answer(name).status_code == 404


def test_another_text_is_another_address(assets: Path):
    """What a browser has kept of an old version is never asked for again."""
    before = BrowserModules(assets, SHEETS).base
    assert BrowserModules(assets, SHEETS).base == before
    (assets / "live" / "page.mjs").write_text("export const page = 2;\n", "utf-8")
    changed = BrowserModules(assets, SHEETS).base
    assert changed != before
    (assets / "live" / "page.mjs").rename(assets / "page.mjs")
    assert BrowserModules(assets, SHEETS).base not in {before, changed}


def test_the_head_names_all_of_one_version(assets: Path):
    """Plotly by the import map, then every module ahead of its use, then the one that begins."""
    modules = BrowserModules(assets, SHEETS)
    head = modules.head()
    imports = json.loads(re.findall(r'<script type="importmap">(.*?)</script>', head)[0])
    assert imports == {"imports": {"plotly": f"{modules.base}/plotly.min.js"}}
    assert head.index("importmap") < head.index("modulepreload") < head.index('type="module"')
    assert re.findall(r'modulepreload" href="([^"]+)"', head) == [
        f"{modules.base}/live/page.mjs",
        f"{modules.base}/main.mjs",
    ]
    assert f'src="{modules.base}/main.mjs"' in head


def test_style_sheets_are_loaded_in_the_stated_order(assets: Path):
    """Not by the alphabet: of two rules that weigh the same the later sheet's holds."""
    modules = BrowserModules(assets, SHEETS)
    links = re.findall(r'rel="stylesheet" href="([^"]+)"', modules.head())
    assert links == [f"{modules.base}/second.css", f"{modules.base}/first.css"]
    answer = modules.answer("first.css")
    assert answer.headers["content-type"].startswith("text/css")
    assert answer.body == (assets / "first.css").read_bytes()
    (assets / "first.css").write_text("p { color: green; }\n", "utf-8")
    assert BrowserModules(assets, SHEETS).base != modules.base


def test_every_style_sheet_has_its_place():
    """All sheets of the pages are loaded; what all pages share comes first."""
    assert sorted(STYLE_SHEETS) == sorted(path.name for path in ASSETS.glob("**/*.css"))
    assert STYLE_SHEETS[0] == "base.css"
