"""Who may talk to the desk: this machine only, the one browser that was given the address.

Every request must come from loopback, name the desk's own host (so that a name that somebody
points at 127.0.0.1 is of no use), carry the cookie that the address with the token gave, and, if
it changes anything, come from the desk's own page.

A results page runs apart from the desk, in a frame of an origin of its own, which carries no
cookie. It and the clips that play in it are read, and nothing else, under a path that holds
another key.
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_REQUEST = 2 << 20  # a sheet may have 1 MiB, and the page sends it as JSON
TOKEN_NAME = "token"
APART = "/apart/"  # followed by the key
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; font-src 'self'; connect-src 'self'; frame-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A results page brings its script within; it may have come with the folder from somebody else, so
# it runs apart from the desk: no cookie, no request to it.
APART_POLICY = (
    "sandbox allow-scripts allow-popups allow-downloads; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src 'self' data: blob:; "
    "media-src 'self' data: blob:; font-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
HEADERS: Mapping[str, str] = {
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
APART_HEADERS: Mapping[str, str] = {
    **HEADERS,
    "content-security-policy": APART_POLICY,
    "cross-origin-resource-policy": "cross-origin",  # its frame is of no origin
    "cross-origin-opener-policy": "unsafe-none",
}
ASK_ANEW = (
    "This desk does not know this browser. Open the address that 'timetrue desk' printed in the "
    "terminal; it holds a key that is made anew at each start.\n"
)


class Guard:
    """Middleware in front of everything.

    Parameters
    ----------
    app : ASGI application
    token : str
        Secret that the first address holds.
    apart : str
        Secret in the path of a results page.
    port : int
        That the desk listens on.
    """

    def __init__(self, app: ASGIApp, *, token: str, apart: str, port: int) -> None:
        self._app, self._token, self._apart = app, token, apart
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._cookie = f"timetrue-desk-{port}"  # browsers do not tell ports apart

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or hand on with strict headers on the answer."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        refused = self._refusal(scope)
        answer: ASGIApp = self._app if refused is None else refused
        is_apart = refused is None and scope["path"].startswith(APART)
        await answer(
            scope, _limited(receive), _strict(send, APART_HEADERS if is_apart else HEADERS)
        )

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        client = scope.get("client")
        if client is None or not _is_loopback(client[0]):
            return PlainTextResponse("Only this machine may ask.\n", 403)
        host = headers.get("host", "")
        if host not in self._hosts:
            return PlainTextResponse("This is not the desk's own address.\n", 421)
        if scope["path"].startswith(APART):
            return self._apart_refusal(scope)
        origin = headers.get("origin")
        changes = scope["method"] not in ("GET", "HEAD")
        if origin not in ((f"http://{host}",) if changes else (None, f"http://{host}")):
            return PlainTextResponse("Only the desk's own page may ask.\n", 403)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin", "same-site"):
            return PlainTextResponse("Only the desk's own page may ask.\n", 403)
        size = headers.get("content-length", "0")
        if not size.isdecimal() or int(size) > LARGEST_REQUEST:
            return PlainTextResponse("The request is too large.\n", 413)
        given = parse_qs(scope["query_string"].decode("latin-1")).get(TOKEN_NAME, [""])[0]
        if scope["path"] == "/" and given and self._is_token(given):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(self._cookie, self._token, httponly=True, samesite="strict", path="/")
            return answer
        if not self._is_token(_cookie(headers.get("cookie", ""), self._cookie)):
            return PlainTextResponse(ASK_ANEW, 401)
        return None

    def _apart_refusal(self, scope: Scope) -> Response | None:
        given = scope["path"].removeprefix(APART).partition("/")[0]
        if scope["method"] not in ("GET", "HEAD"):
            return PlainTextResponse("A results page only reads.\n", 405)
        if not hmac.compare_digest(given.encode(), self._apart.encode()):
            return PlainTextResponse(ASK_ANEW, 401)
        return None

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._token.encode())


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _cookie(header: str, name: str) -> str:
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


class TooLargeError(Exception):
    """More came than was said."""


def _limited(receive: Receive) -> Receive:
    """Count what comes, also where no length was given."""
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > LARGEST_REQUEST:
            raise TooLargeError
        return message

    return counted


def _strict(send: Send, strict: Mapping[str, str]) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in strict.items():
                headers[name] = value
            headers.setdefault("content-security-policy", PAGE_POLICY)
        await send(message)

    return with_headers
