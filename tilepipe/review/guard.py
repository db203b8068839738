"""Lets in only who holds the address: the token in the path, the Host and Origin of this server; sets the safe headers."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES = 4 << 20  # a long hand-drawn stroke has some hundred kB
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",  # the token never leaves with a link
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass
class Guard:
    """The outermost part of the server. `hosts`: what a request's Host may say (name:port)."""

    app: App
    hosts: frozenset[str]
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refused = self._refusal(scope)
        if refused is not None:
            await _answer(send, *refused)
            return
        prefix = f"/{self.token}"
        inner = {**scope, "path": scope["path"][len(prefix) :] or "/", "raw_path": None}

        async def guarded(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in message.get("headers", [])}
                added = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in own]
                message = {**message, "headers": [*message.get("headers", []), *added]}
            await send(message)

        await self.app(inner, receive, guarded)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        if len(headers.get("host", [])) != 1 or headers["host"][0].lower() not in self.hosts:
            return 421, "This server answers under its own address only."
        first = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        if not secrets.compare_digest(first.encode(), self.token.encode()):
            return 404, "Nothing is here. Use the whole address that `tilepipe review` printed; it is new at every start."
        writes = scope["method"] not in ("GET", "HEAD")
        origins = headers.get("origin", [])
        own = {f"http://{host}" for host in self.hosts}
        if (origins and any(origin.lower() not in own for origin in origins)) or (writes and not origins):
            return 403, "This request comes from another page."
        if int(next(iter(headers.get("content-length", [])), "0") or "0") > MOST_BODY_BYTES:
            return 413, "This request is too large."
        return None


async def _answer(send: Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    headers += [(name.encode(), value.encode()) for name, value in HEADERS.items()]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
