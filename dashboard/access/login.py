"""The login page and its routes.

The page works without scripts and without any asset, since those need a session. The cookie is
SameSite=Strict: a link from another site arrives without it and is redirected here even if there is
a session. Then the page's script finds the session and continues to the target of the link.
"""

import asyncio
import html
import re
import secrets
from typing import Final
from urllib.parse import parse_qs, urlsplit

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from dashboard.access.session_middleware import LOGIN_PATH, LOGOUT_PATH, SESSION_PATH, Access
from dashboard.access.sessions import SESSION_LIFETIME_S
from dashboard.server.json_requests import RefusedError, read_body
from dashboard.server.origin_check import LOOPBACK, host_of
from dashboard.text.format import format_duration
from dashboard.text.theme import DARK, LIGHT, NUMBER_FONT, TEXT_FONT, Theme

__all__ = ["add_login_routes"]

MAX_LOGIN_BYTES: Final = 8000
_OWN_PATH: Final = re.compile(r"/(?![/\\])[^\x00-\x20\\]*")
_CSS_TOKENS: Final = (
    "paper",
    "paper_2",
    "ink",
    "ink_2",
    "line",
    "danger",
    "danger_tint",
    "none_tint",
)


def add_login_routes(server: FastAPI, access: Access) -> None:
    """Add the routes; without a password they admit everybody."""

    async def ask(request: Request) -> Response:
        next_path = _safe_next_path(request.query_params.get("next", "/"))
        if access.is_admitted(access.read_token(request.headers)):
            return RedirectResponse(next_path, status_code=303)
        return _login_page(request, next_path)

    async def enter(request: Request) -> Response:
        if access.password is None:
            return RedirectResponse("/", status_code=303)
        try:
            body = await read_body(request, max_bytes=MAX_LOGIN_BYTES)
        except RefusedError as refused:
            return _login_page(request, "/", "What was sent is too long.", status=refused.status)
        form = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
        next_path = _safe_next_path(form.get("next", ["/"])[0])
        address = access.find_client(request)
        wait_s = access.login_limiter.take_try(address, access.clock())
        if wait_s:
            wait_text = (
                f"Too many tries. Try again in {format_duration(max(1, round(wait_s + 0.5)))}."
            )
            return _login_page(request, next_path, wait_text, status=429, wait_s=wait_s)
        password = form.get("password", [""])[0]
        if not await asyncio.to_thread(access.password.verify, password):
            return _login_page(request, next_path, "That is not the password.", status=401)
        access.login_limiter.remember_client(address)
        access.sessions.revoke(access.read_token(request.headers))
        response = RedirectResponse(next_path, status_code=303)
        response.set_cookie(
            access.cookie,
            access.sessions.create_token(access.clock()),
            max_age=round(SESSION_LIFETIME_S),
            path="/",
            httponly=True,
            samesite="strict",
            secure=request.headers.get("origin", "").startswith("https://"),
        )
        return response

    async def leave(request: Request) -> Response:
        access.sessions.revoke(access.read_token(request.headers))
        response = RedirectResponse(LOGIN_PATH, status_code=303)
        response.delete_cookie(access.cookie, path="/", httponly=True, samesite="strict")
        return response

    async def session(request: Request) -> Response:
        return JSONResponse(
            {
                "password": access.password is not None,
                "in": access.is_admitted(access.read_token(request.headers)),
                "read_only": access.read_only,
            },
            headers={"cache-control": "no-store"},
        )

    for path, method, route in (
        (LOGIN_PATH, "GET", ask),
        (LOGIN_PATH, "POST", enter),
        (LOGOUT_PATH, "POST", leave),
        (SESSION_PATH, "GET", session),
    ):
        server.add_api_route(path, route, methods=[method], response_model=None)


def _safe_next_path(path: str) -> str:
    """Return the address to redirect to, which is always a page of this server."""
    if len(path) > 2000 or not _OWN_PATH.fullmatch(path):
        return "/"
    url = urlsplit(path)
    if url.scheme or url.netloc or url.path in {LOGIN_PATH, LOGOUT_PATH}:
        return "/"
    return path


def _css_tokens(theme: Theme) -> str:
    return " ".join(f"--{name.replace('_', '-')}: {getattr(theme, name)};" for name in _CSS_TOKENS)


_STYLE: Final = f"""
:root {{ color-scheme: light dark; {_css_tokens(LIGHT)} }}
@media (prefers-color-scheme: dark) {{ :root {{ {_css_tokens(DARK)} }} }}
* {{ box-sizing: border-box; }}
html {{ background: var(--paper); color: var(--ink); -webkit-text-size-adjust: 100%; }}
body {{ margin: 0; padding: 13px 48px 24px; font: 13.5px/1.4 {NUMBER_FONT}; }}
.name {{ font: italic 18px/1 {TEXT_FONT}; }}
main {{ max-width: 34em; margin: 12vh 0 0; border-top: 2px solid var(--ink); padding-top: 12px; }}
h1 {{ font: 400 26px/1.2 {TEXT_FONT}; margin: 0 0 16px; }}
label {{ display: block; color: var(--ink-2); }}
.entry {{ display: flex; gap: 12px; align-items: flex-end; }}
input {{ flex: 1; min-width: 0; font: inherit; font-size: 17px; color: var(--ink); background: none;
  border: 0; border-bottom: 1px solid var(--line); border-radius: 0; padding: 6px 0; }}
input:focus {{ outline: none; border-bottom: 2px solid var(--ink); padding-bottom: 5px; }}
button {{ font: inherit; color: var(--ink); background: none; border: 1px solid var(--line);
  border-radius: 2px; padding: 4px 16px; min-height: 36px; cursor: pointer; }}
button:hover {{ border-color: var(--ink); }}
:focus-visible {{ outline: 2px solid var(--ink); outline-offset: 3px; }}
.fault {{ background: var(--danger-tint); padding: 8px 12px; margin: 0 0 16px; display: flex;
  gap: 10px; align-items: center; }}
.fault i {{ width: 15px; height: 15px; flex: none; background: var(--danger); clip-path:
  polygon(29% 0, 71% 0, 100% 29%, 100% 71%, 71% 100%, 29% 100%, 0 71%, 0 29%); }}
.aside {{ color: var(--ink-2); margin: 16px 0 0; }}
@media (max-width: 760px) {{ body {{ padding: 13px 16px; }} main {{ margin-top: 6vh; }}
  h1 {{ font-size: 22px; }} button {{ min-height: 44px; }} input {{ min-height: 44px; }} }}
@media (min-width: 2000px) {{ body {{ font-size: 18px; padding: 18px 72px; }} .name {{
  font-size: 25px; }} h1 {{ font-size: 38px; }} input {{ font-size: 24px; }} }}
"""
_SCRIPT: Final = """
fetch("/session", {cache: "no-store"}).then((r) => r.json()).then((s) => {
  if (s.in) location.replace(document.querySelector("[name=next]").value);
}).catch(() => {});
"""


def _login_page(
    request: Request, next_path: str, fault: str = "", *, status: int = 200, wait_s: float = 0.0
) -> HTMLResponse:
    nonce = secrets.token_urlsafe(16)
    fault_html = f'<p class="fault" role="alert"><i></i>{html.escape(fault)}</p>' if fault else ""
    described = ' aria-invalid="true"' if fault else ""
    secret = request.headers.get("origin", "").startswith("https://")
    open_wire = not secret and host_of(request.headers.get("host", "")) not in LOOPBACK
    aside = (
        '<p class="aside">If the address above does not begin with https, what you type can be '
        "read on the way here.</p>"
        if open_wire
        else ""
    )
    text = f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>Log in – dutytrace</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark"><link rel="icon" href="data:,">
<style nonce="{nonce}">{_STYLE}</style></head>
<body><div class="name">dutytrace</div><main><h1>These pages ask for a password</h1>{fault_html}
<form method="post" action="{LOGIN_PATH}"><label for="password">Password</label>
<div class="entry"><input id="password" name="password" type="password" required autofocus
autocomplete="current-password" maxlength="1000"{described}>
<input name="next" type="hidden" value="{html.escape(next_path, quote=True)}">
<button type="submit">Log in</button></div></form>{aside}</main>
<script nonce="{nonce}">{_SCRIPT}</script></body></html>"""
    headers = {
        "cache-control": "no-store",
        "content-security-policy": f"default-src 'none'; style-src 'nonce-{nonce}'; script-src "
        f"'nonce-{nonce}'; connect-src 'self'; img-src data:; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'",
    }
    if wait_s:
        headers["retry-after"] = str(max(1, round(wait_s + 0.5)))
    return HTMLResponse(text, status_code=status, headers=headers)
