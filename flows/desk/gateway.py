"""What holds for every request, whoever makes it: its size and time, its host, its headers."""

from __future__ import annotations

import time

import anyio
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # With no-referrer browsers send no origin with forms either, and we ask for it.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "x-robots-tag": "noindex, nofollow",
}
_LASTING = "max-age=31536000"


class Gateway:
    """Bounds a request's body and the time it may take to come, and seals the answer."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], secure: bool, most_bytes: int,
                 seconds: float) -> None:
        self._app = app
        self._hosts = hosts
        self._secure = secure
        self._most = most_bytes
        self._seconds = seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {key.decode("latin-1"): value.decode("latin-1")
                   for key, value in scope["headers"]}

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {key.lower() for key, _ in message["headers"]}
                more = dict(_HEADERS) | {"cache-control": "no-store"}
                if self._secure:
                    more["strict-transport-security"] = _LASTING
                message["headers"] = [*message["headers"], *(
                    (key.encode(), value.encode()) for key, value in more.items()
                    if key.encode() not in given)]
            await send(message)

        if _name(headers.get("host", "")) not in self._hosts:
            await _plain(sealed, 421, "This is not the address of the desk.")
            return
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > self._most:
            await _plain(sealed, 413, "This is larger than the desk takes. Send the season's "
                                      "sheet alone, without pictures in it.")
            return
        deadline = time.monotonic() + self._seconds
        taken = 0
        whole = scope["method"] in ("GET", "HEAD")

        async def bounded() -> Message:
            nonlocal taken, whole
            if whole:
                # What comes now can only be that they went away.
                return await receive()
            with anyio.move_on_after(max(0.0, deadline - time.monotonic())) as span:
                message = await receive()
            if span.cancelled_caught:
                raise HTTPException(408)
            taken += len(message.get("body", b""))
            if taken > self._most:
                raise HTTPException(413)
            whole = not message.get("more_body", False)
            return message

        await self._app(scope, bounded, sealed)


def _name(host: str) -> str:
    """The name in a Host header, without its port."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


async def _plain(send: Send, status: int, text: str) -> None:
    body = (text + "\n").encode("utf-8")
    await send({"type": "http.response.start", "status": status, "headers": [
        (b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close"),
        (b"content-length", str(len(body)).encode())]})
    await send({"type": "http.response.body", "body": body})
