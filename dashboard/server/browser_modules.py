"""Serves the pages' JavaScript modules, style sheets and plotly.

The modules of `assets/` import each other by relative paths, and browsers cache them. So all are
served below one address with a digest of their text: a new version has a new address, and is never
mixed with an old one. Style sheets are loaded in the order of `STYLE_SHEETS`: of two rules of equal
specificity the later one applies. Dash would load every script and style sheet of its assets folder
in alphabetical order; it ignores both (`DASH_IGNORES`). Files are read once, when the server is
made.
"""

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import plotly
from fastapi import FastAPI
from fastapi.responses import FileResponse, Response

__all__ = ["DASH_IGNORES", "STYLE_SHEETS", "BrowserModules"]

DASH_IGNORES: Final = r"\.(mjs|d\.ts|css)$"
"""Files of the assets folder that Dash neither lists nor loads."""
STYLE_SHEETS: Final = (
    "base.css", "head.css", "rows.css", "live.css", "tiles.css", "overlay.css", "limits_token.css",
    "limits.css", "bus.css", "heat.css", "measure.css", "layout.css", "data_sheet.css",
    "campaign.css",
)  # fmt: skip
"""In the order in which they are loaded: what all pages share, then what dresses one part."""
_PLOTLY: Final = "plotly.min.js"
_MAIN: Final = "main.mjs"
_HEADERS: Final = {
    # An address never gets another text; only the reader's own browser may cache it.
    "cache-control": "private, max-age=31536000, immutable",
}
_JAVASCRIPT: Final = "text/javascript; charset=utf-8"
_CSS: Final = "text/css; charset=utf-8"


class BrowserModules:
    """The modules and style sheets of a folder as one version of them."""

    def __init__(self, assets: Path, style_sheets: Sequence[str] = STYLE_SHEETS) -> None:
        self._plotly = Path(plotly.__file__).parent / "package_data" / _PLOTLY
        self._modules = {
            path.relative_to(assets).as_posix(): path.read_bytes()
            for path in sorted(assets.rglob("*.mjs"))
        }
        self._styles = {name: (assets / name).read_bytes() for name in style_sheets}
        digest = hashlib.sha256(plotly.__version__.encode())
        for name, text in (*self._modules.items(), *self._styles.items()):
            digest.update(b"%s\0%d\0" % (name.encode(), len(text)))
            digest.update(text)
        self.base = f"/modules/{digest.hexdigest()[:16]}"
        """The address below which all of them are served."""
        self.import_map = json.dumps({"imports": {"plotly": f"{self.base}/{_PLOTLY}"}})
        """The only script that stands in the page itself."""

    def head(self) -> str:
        """Return the HTML head's part: styles, import map for plotly, preloads, the main module.

        All modules are preloaded: a browser would find each of them only in the text of another.
        """
        lines = [f'<link rel="stylesheet" href="{self.base}/{name}">' for name in self._styles]
        lines.append(f'<script type="importmap">{self.import_map}</script>')
        lines += [f'<link rel="modulepreload" href="{self.base}/{name}">' for name in self._modules]
        lines.append(f'<script type="module" src="{self.base}/{_MAIN}"></script>')
        return "\n".join(lines)

    def answer(self, name: str) -> Response:
        """Return the response to a request for one of them, by its path below `base`."""
        if name == _PLOTLY:
            return FileResponse(self._plotly, media_type=_JAVASCRIPT, headers=_HEADERS)
        if name in self._styles:
            return Response(self._styles[name], media_type=_CSS, headers=_HEADERS)
        text = self._modules.get(name)
        if text is None:
            return Response("There is no such module.", 404, media_type="text/plain")
        return Response(text, media_type=_JAVASCRIPT, headers=_HEADERS)

    def add_route(self, server: FastAPI) -> None:
        """Serve them below `base`, which holds no other version."""

        def module(version: str, name: str) -> Response:
            # The address of another version is answered 404, and not with a page.
            known = self.base.endswith(f"/{version}")
            return self.answer(name if known else "")

        path = "/modules/{version}/{name:path}"
        server.add_api_route(path, module, methods=["GET"], response_model=None)
