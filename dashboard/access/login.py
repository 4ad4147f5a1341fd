"""The page that asks for the password, and its routes.

A page of its own that needs no script and nothing of the others, since those are behind the gate.
Whoever follows a link from elsewhere brings no cookie (SameSite=Strict) and is led here though a
session goes on; the page finds that out by itself and goes on to where the link led.
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
from dashboard.access.sessions import LASTS_S
from dashboard.server.origin_check import LOOPBACK, host_of
from dashboard.text.theme import DARK, FIGURES, LIGHT, WORDS, Theme, span_words

__all__ = ["add_login_routes"]

BODY_MOST: Final = 8000
_OWN_PATH: Final = re.compile(r"/(?![/\\])[^\x00-\x20\\]*")
_TOKENS: Final = ("paper", "paper_2", "ink", "ink_2", "line", "danger", "danger_tint", "none_tint")


def add_login_routes(server: FastAPI, access: Access) -> None:
    """Add the routes; they are there without a password too, and then let everybody pass."""

    async def ask(request: Request) -> Response:
        wanted = _next(request.query_params.get("next", "/"))
        if access.lets_in(access.token_of(request.headers)):
            return RedirectResponse(wanted, status_code=303)
        return _page(request, wanted)

    async def enter(request: Request) -> Response:
        if access.password is None:
            return RedirectResponse("/", status_code=303)
        body = await _body(request)
        if body is None:
            return _page(request, "/", "What was sent is too long.", status=413)
        said = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
        wanted = _next(said.get("next", ["/"])[0])
        who = request.client.host if request.client else ""
        wait_s = access.tries.wait_s(who, access.clock())
        if wait_s:
            said_wait = f"Too many tries. Try again in {span_words(max(1, round(wait_s + 0.5)))}."
            return _page(request, wanted, said_wait, status=429, wait_s=wait_s)
        tried = said.get("password", [""])[0]
        if not await asyncio.to_thread(access.password.is_it, tried):
            return _page(request, wanted, "That is not the password.", status=401)
        access.tries.forget(who)
        access.sessions.end(access.token_of(request.headers))
        entered = RedirectResponse(wanted, status_code=303)
        entered.set_cookie(
            access.cookie,
            access.sessions.begin(access.clock()),
            max_age=round(LASTS_S),
            path="/",
            httponly=True,
            samesite="strict",
            secure=request.headers.get("origin", "").startswith("https://"),
        )
        return entered

    async def leave(request: Request) -> Response:
        access.sessions.end(access.token_of(request.headers))
        left = RedirectResponse(LOGIN_PATH, status_code=303)
        left.delete_cookie(access.cookie, path="/", httponly=True, samesite="strict")
        return left

    async def session(request: Request) -> Response:
        return JSONResponse(
            {
                "password": access.password is not None,
                "in": access.lets_in(access.token_of(request.headers)),
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


async def _body(request: Request) -> bytes | None:
    """Return what was posted, None if it is longer than a login can be: it is not all read then."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > BODY_MOST:
            return None
    return body


def _next(wanted: str) -> str:
    """Return where to go on: a page of this server, never another's."""
    if len(wanted) > 2000 or not _OWN_PATH.fullmatch(wanted):
        return "/"
    parts = urlsplit(wanted)
    if parts.scheme or parts.netloc or parts.path in {LOGIN_PATH, LOGOUT_PATH}:
        return "/"
    return wanted


def _tokens(look: Theme) -> str:
    return " ".join(f"--{name.replace('_', '-')}: {getattr(look, name)};" for name in _TOKENS)


_STYLE: Final = f"""
:root {{ color-scheme: light dark; {_tokens(LIGHT)} }}
@media (prefers-color-scheme: dark) {{ :root {{ {_tokens(DARK)} }} }}
* {{ box-sizing: border-box; }}
html {{ background: var(--paper); color: var(--ink); -webkit-text-size-adjust: 100%; }}
body {{ margin: 0; padding: 13px 48px 24px; font: 13.5px/1.4 {FIGURES}; }}
.name {{ font: italic 18px/1 {WORDS}; }}
main {{ max-width: 34em; margin: 12vh 0 0; border-top: 2px solid var(--ink); padding-top: 12px; }}
h1 {{ font: 400 26px/1.2 {WORDS}; margin: 0 0 16px; }}
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


def _page(
    request: Request, wanted: str, fault: str = "", *, status: int = 200, wait_s: float = 0.0
) -> HTMLResponse:
    nonce = secrets.token_urlsafe(16)
    told = f'<p class="fault" role="alert"><i></i>{html.escape(fault)}</p>' if fault else ""
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
<body><div class="name">dutytrace</div><main><h1>These pages ask for a password</h1>{told}
<form method="post" action="{LOGIN_PATH}"><label for="password">Password</label>
<div class="entry"><input id="password" name="password" type="password" required autofocus
autocomplete="current-password" maxlength="1000"{described}>
<input name="next" type="hidden" value="{html.escape(wanted, quote=True)}">
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
