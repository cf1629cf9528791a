"""Who may ask the viewer what: one machine, one address, one token; and the headers that every answer carries.

The server listens on the loopback address alone, but any page in the same browser can send requests there, and a name
server of its own can make it look like that page's own host (rebinding). So a request must name our own host and port,
bring the secret that only the address printed at the start has, and not come from another page.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
READING = ("GET", "HEAD")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
)
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=()",
    "Cache-Control": "no-store",
}
NO_TOKEN = (
    "bulkrail view: this address needs the token of the viewer that runs now.\n"
    "Open the address that bulkrail view printed in the terminal first, then this one again.\n"
)


class Keys:
    """The secrets of one start.

    ``token`` stands in the address printed in the terminal; ``ticket`` in the one handed to a browser, where other
    users of the machine can read it off the list of processes: it opens once. Either is answered by a cookie with a
    third secret, so that no address the browser remembers has one.
    """

    def __init__(self, port: int) -> None:
        self.port = port
        self.token, self._session = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
        self.ticket = secrets.token_urlsafe(32)
        self._ticket_is_good = True
        self.cookie_name = f"bulkrail-view-{port}"  # cookies know no ports: two viewers must not lose each other's

    @property
    def hosts(self) -> tuple[str, ...]:
        """How the browser may name us."""
        return f"{HOST}:{self.port}", f"localhost:{self.port}"

    def opens(self, given: str) -> bool:
        """Whether a token of an address is good; a ticket is good once."""
        if _same(given, self.token):
            return True
        if self._ticket_is_good and _same(given, self.ticket):
            self._ticket_is_good = False
            return True
        return False

    def knows(self, cookies: str) -> bool:
        """Whether a cookie header has the session's secret."""
        return _same(cookie_parser(cookies).get(self.cookie_name, ""), self._session)

    @property
    def cookie(self) -> str:
        """The header that hands it out: for this host alone, never to scripts, never with another page's requests."""
        return f"{self.cookie_name}={self._session}; Path=/; HttpOnly; SameSite=Strict"


def _same(given: str, secret: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), secret.encode())


class Guard:
    """Lets a request through to the application, or answers it with one line."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self.app, self.keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As ASGI has it; anything but HTTP is not spoken here."""
        if scope["type"] != "http":
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        refused = self._refused(scope)
        await (refused or self.app)(scope, receive, with_headers)

    def _refused(self, scope: Scope) -> Response | None:
        """The answer to a request that may not pass; also the one that takes the token out of the address."""
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or headers["host"] not in self.keys.hosts:
            return _line("this server answers to its own address alone", 421)
        if scope["method"] not in (*READING, "POST"):
            return _line("method not allowed", 405)
        if not self._is_our_own(scope, headers):
            return _line("requests of other pages are not answered", 403)
        if scope["path"] == "/" and (entered := self._entered(scope)) is not None:
            return entered
        if not self.keys.knows(headers.get("cookie", "")):
            return PlainTextResponse(NO_TOKEN, 403)
        return None

    def _is_our_own(self, scope: Scope, headers: Headers) -> bool:
        """Whether no other page sent it. A link to the page itself may stand anywhere: it shows nothing by itself."""
        origin = headers.get("origin")
        if origin is not None and origin not in [f"http://{host}" for host in self.keys.hosts]:
            return False
        if headers.get("sec-fetch-site", "none") in ("none", "same-origin"):
            return True
        is_link = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
        return bool(scope["path"] == "/" and scope["method"] == "GET" and is_link)

    def _entered(self, scope: Scope) -> Response | None:
        """A good token becomes a cookie and leaves the address; None where none is given."""
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        given = [value for name, value in query if name == "token"]
        if not given:
            return None
        if len(given) > 1 or not self.keys.opens(given[0]):
            return PlainTextResponse(NO_TOKEN, 403)
        rest = urlencode([pair for pair in query if pair[0] != "token"])
        return Response(
            status_code=303, headers={"Location": f"/?{rest}" if rest else "/", "Set-Cookie": self.keys.cookie}
        )


def _line(text: str, status: int) -> Response:
    return JSONResponse({"error": text}, status)
