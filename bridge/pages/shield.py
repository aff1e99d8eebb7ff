"""What every request passes: whose name it came by, from where, and what its answer allows. I/O.

A browser that was lured by a foreign page sends our cookies along, or calls us by a foreign name
that points here (DNS rebinding). So the Host header must be a number, ``localhost`` or a declared
name, and whatever changes something must come from a page of our own (Origin header).
"""

from __future__ import annotations

import ipaddress

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}


def policy(host: str, secure: bool) -> str:
    """The content security policy: nothing but our own files, no script within a page.

    Args:
        host: Host and port as the browser calls us. Older browsers do not count a WebSocket as
            ``'self'``, so it is named.
        secure: Whether TLS is in use.
    """
    socket = f"{'wss' if secure else 'ws'}://{host}"
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        f"connect-src 'self' {socket}; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )


def host_of(header: str) -> str | None:
    """The host in a Host header, without its port; None when it is no host."""
    if header.startswith("["):
        host, closed, rest = header[1:].partition("]")
        return host if closed and (not rest or _is_port(rest)) else None
    host, colon, port = header.partition(":")
    return host if host and (not colon or _is_port(f":{port}")) else None


def _is_port(text: str) -> bool:
    return text[0] == ":" and len(text) <= 6 and text[1:].isascii() and text[1:].isdigit()


def is_number(host: str) -> bool:
    """Whether a host is an IP address: no foreign name can stand for us then."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


class Shield:
    """Turns away what does not come from our own pages.

    Args:
        names: Names of this machine beside its numbers.
        secure: Whether TLS is in use.
    """

    def __init__(self, names: frozenset[str], secure: bool) -> None:
        self._names = {name.lower() for name in names} | {"localhost"}
        self._secure = secure

    def knows(self, header: str) -> bool:
        """Whether a Host header means us."""
        host = host_of(header)
        return host is not None and (host.lower() in self._names or is_number(host))

    def is_own(self, request: web.Request) -> bool:
        """Whether a request comes from one of our own pages."""
        scheme = "https" if self._secure else "http"
        return request.headers.get("Origin", "") == f"{scheme}://{request.headers.get('Host')}"

    def middleware(self) -> Middleware:
        """The shield as aiohttp wants it."""

        @web.middleware
        async def shield(request: web.Request, handler: Handler) -> web.StreamResponse:
            refusal = self._refusal(request)
            if refusal is not None:
                return self.dressed(request, refusal)
            try:
                response = await handler(request)
            except web.HTTPException as answer:
                answer.headers.update(self._headers(request))
                raise
            return response if response.prepared else self.dressed(request, response)

        return shield

    def _refusal(self, request: web.Request) -> web.Response | None:
        if not self.knows(request.headers.get("Host", "")):
            return web.Response(status=421, text="This machine has another name in its rig.")
        asks = request.headers.get("Upgrade", "").lower() == "websocket"
        if (request.method not in ("GET", "HEAD") or asks) and not self.is_own(request):
            return web.Response(status=403, text="This did not come from a page of the bridge.")
        return None

    def _headers(self, request: web.Request) -> dict[str, str]:
        known = self.knows(request.headers.get("Host", ""))
        host = request.headers["Host"] if known else "localhost"
        return HEADERS | {"Content-Security-Policy": policy(host, self._secure)}

    def dressed(self, request: web.Request, response: web.StreamResponse) -> web.StreamResponse:
        """An answer with everything that it forbids the browser."""
        response.headers.update(self._headers(request))
        return response
