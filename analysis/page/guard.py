"""Who may speak to the page: this computer's own addresses, this page's own scripts, holders of the token.

A foreign Host is a name somebody pointed at this computer (421, RFC 9110 section 15.5.20), a foreign Origin another
site's script (403), no token a stranger in the network (401). Every answer forbids scripts and styles that do not come
as files from this page (Content Security Policy Level 3).
"""

import hmac
import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "warmspell"
TOKEN_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # noqa: S105 - what tokens are drawn from
TOKEN_LENGTH = 16
"""31 letters to the 16th: 79 bits, so that guessing over a network is hopeless."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
SAFE_METHODS = ("GET", "HEAD")
ASK = """<!doctype html><html lang="en-GB"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Warmspell: token</title><h1>Token</h1><p>The computer that records shows a token and a square code to scan.
<form><label>Token <input name="token" autocomplete="off" autocapitalize="none" autofocus></label> <button>Open</button>
</form></html>"""


def new_token() -> str:
    """Draw a token that can be read aloud."""
    return "".join(secrets.choice(TOKEN_LETTERS) for _ in range(TOKEN_LENGTH))


class Guard:
    """Stands before the app; ``token`` None means that this computer alone is served."""

    def __init__(self, app: ASGIApp, token: str | None = None) -> None:
        self._app = app
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on and add the headers."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(refusal, scope, receive, send)
            return

        async def sealed(message: Message) -> None:
            if message["type"] in ("http.response.start", "websocket.http.response.start"):
                answer = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    answer.setdefault(name, value)
                answer.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, sealed)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        own = own_hosts(scope)
        host = headers.get("host", "").lower()
        if host not in own:
            return PlainTextResponse("This page is not served under that name.", 421)
        changes = scope["type"] == "websocket" or scope["method"] not in SAFE_METHODS
        origin = headers.get("origin")
        if changes and origin is not None and origin.lower() != f"http://{host}":
            return PlainTextResponse("Another site's page may not do that here.", 403)
        return self._without_token(scope, headers)

    def _without_token(self, scope: Scope, headers: Headers) -> Response | None:
        if self._token is None or _matches(_cookie(headers), self._token):
            return None
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0].strip().lower()
        if scope["type"] == "http" and scope["method"] == "GET" and _matches(given, self._token):
            answer = RedirectResponse(scope["path"], 303)
            answer.set_cookie(COOKIE, self._token, httponly=True, samesite="strict")
            return answer
        wants_page = "text/html" in headers.get("accept", "")
        return HTMLResponse(ASK, 401) if wants_page else PlainTextResponse("The token is missing.", 401)


def own_hosts(scope: Scope) -> set[str]:
    """Host headers under which this very connection may be addressed: the address it came in on, and localhost."""
    address, port = scope["server"]
    shown = f"[{address}]" if ":" in address else address
    hosts = {f"{shown}:{port}"}
    if address in ("127.0.0.1", "::1"):
        hosts.add(f"localhost:{port}")
    return hosts if port != 80 else hosts | {urlsplit(f"//{name}").hostname or "" for name in hosts}


def _matches(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _cookie(headers: Headers) -> str:
    try:
        held = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return held.value if held else ""


async def _refuse(answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
    for name, value in HEADERS.items():
        answer.headers[name] = value
    if scope["type"] == "websocket" and "websocket.http.response" not in scope.get("extensions", {}):
        await send({"type": "websocket.close", "code": 1008})
        return
    await answer(scope, receive, send)
