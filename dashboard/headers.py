"""What every answer carries, and what is refused before anything reads it."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlsplit

from flask import Flask, Response, request

MOST_BYTES = 1_000_000
"""Nothing the pages send comes near this."""

GUEST = "chillrig.guest"
"""In a request's environment where it came through the gate, from another screen."""

STANDING = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(self), geolocation=(), payment=(), usb=(), "
    "accelerometer=(self), gyroscope=(self), screen-wake-lock=(self)",
}


def policy(scripts: Sequence[str] = (), forms: str = "'none'") -> str:
    """A content security policy (CSP level 3): everything from here, only scripts of these hashes inline."""
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src 'self' {' '.join(scripts)}".rstrip(),
            # the figures set the style of their own elements
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "connect-src 'self'",
            "object-src 'none'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            f"form-action {forms}",
        )
    )


def register(server: Flask, scripts: Sequence[str]) -> None:
    """Guard a server: its headers, the size of what it reads, and who may write to it."""
    server.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    told = STANDING | {"Content-Security-Policy": policy(scripts)}

    def only_our_own_pages() -> Response | None:
        if request.method in ("GET", "HEAD", "OPTIONS") or _from_here():
            return None
        return Response("Only the dashboard's own pages may ask this.", 403)

    def guarded(response: Response) -> Response:
        for name, value in told.items():
            response.headers.setdefault(name, value)
        return response

    server.before_request(only_our_own_pages)
    server.after_request(guarded)


def _from_here() -> bool:
    """Whether a request that may change something comes from a page of this very server."""
    site = request.headers.get("Sec-Fetch-Site")
    if site not in (None, "same-origin", "none"):
        return False
    origin = request.headers.get("Origin")
    return origin is None or urlsplit(origin).netloc == request.host
