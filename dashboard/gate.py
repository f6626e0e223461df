"""The gate before a shared dashboard: a screen gives a one-time code and is known from then on by a cookie.

A code opens the gate for one screen and is replaced by the next one, and so it is after many wrong ones from
anywhere. An address that was wrong must wait, twice as long after every further wrong one; nobody else waits for it.
Eight letters of thirty are 6·10¹¹ codes: a hundred guesses a second would take some hundred years for even odds.
WSGI (PEP 3333) around the app: nothing behind the gate runs for anybody who has not passed it.

A second code, the class's, lets in any number of phones, typed or by a link that holds it; they reach the pages below
`/class` and nothing else.
"""

from __future__ import annotations

import hmac
import math
import secrets
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib.resources import files
from threading import Lock
from typing import TYPE_CHECKING, Any

from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Request, Response

from dashboard.headers import GUEST, STANDING, policy

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Letters and digits that nobody takes for one another across a room."""
LENGTH = 8
COOKIE = "chillrig_screen"
PUPIL = "chillrig_pupil"
CLASS = "/class"
SESSION_S = 12 * 3600.0
FREE_GUESSES, FIRST_WAIT_S, LONGEST_WAIT_S = 4, 2.0, 300.0
"""So many wrong codes of an address cost nothing: people mistype. After that it waits."""
CODE_OUTLIVES = 1000
"""After so many wrong codes from anywhere the code is another one."""
_FORGOTTEN_S = 3600.0
_MOST_SCREENS, _MOST_ADDRESSES = 200, 1000


def new_code() -> str:
    """A code as it is told: two groups of four."""
    text = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
    return f"{text[:4]}-{text[4:]}"


def plain(code: str) -> str:
    """A code as somebody may type it."""
    return "".join(c for c in code.upper() if c in LETTERS)[: 2 * LENGTH]


@dataclass(frozen=True)
class Guesser:
    """How often an address was wrong, and when it may try again [s]."""

    wrong: int = 0
    last_s: float = 0.0
    again_s: float = 0.0


@dataclass
class Guesses:
    """Wrong codes of late, by address: each is slowed down by its own, and by nobody else's."""

    now_s: Callable[[], float]
    of: dict[str, Guesser] = field(default_factory=dict)

    def wait_s(self, address: str) -> float:
        """How long an address must wait before it may try again [s]; 0 where it may now."""
        return max(self.of.get(address, Guesser()).again_s - self.now_s(), 0.0)

    def wrong(self, address: str) -> None:
        """Note one."""
        now_s = self.now_s()
        before = self.of.pop(address, Guesser())
        count = 1 if now_s - before.last_s > _FORGOTTEN_S else before.wrong + 1
        wait_s = 0.0
        if count > FREE_GUESSES:
            wait_s = min(FIRST_WAIT_S * 2.0 ** (count - FREE_GUESSES - 1), LONGEST_WAIT_S)
        self.of[address] = Guesser(count, now_s, now_s + wait_s)
        while len(self.of) > _MOST_ADDRESSES:
            del self.of[next(iter(self.of))]  # the one that has been quiet for longest

    def right(self, address: str) -> None:
        """Forget an address that knew the code."""
        self.of.pop(address, None)


class Gate:
    """The app behind its gate, as a WSGI application for the host and port `where`."""

    def __init__(
        self,
        app: WSGIApplication,
        where: str,
        tell: Callable[[str], None],
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app, self.where, self._tell, self._now_s = app, where, tell, now_s
        self._lock, self._guesses = Lock(), Guesses(now_s)
        self._screens: dict[str, float] = {}
        self._pupils: dict[str, float] = {}
        self.class_code = new_code()
        """What a class's phones give, as often as they like."""
        self._next_code()

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Let those in who are known; everybody else meets the gate."""
        request = Request(environ)
        request.max_content_length = request.max_form_memory_size = 4096
        if request.host != self.where:
            # a name of somebody else's that points here is no way in
            return _page("This dashboard answers to its own address only.", 403)(environ, start_response)
        is_pupil = self._known(request.cookies.get(PUPIL, ""), self._pupils)
        if self._known(request.cookies.get(COOKIE, ""), self._screens) or (
            is_pupil and _is_class(request.path)
        ):
            environ[GUEST] = True
            return self._app(environ, start_response)
        if is_pupil and request.method != "POST":
            return Response(status=303, headers={"Location": CLASS})(environ, start_response)
        try:
            answer = self._met(request)
        except HTTPException as error:
            answer = _page("That cannot be read. Type the code.", error.code or 400)
        return answer(environ, start_response)

    def _met(self, request: Request) -> Response:
        linked = request.args.get("code") if request.path == CLASS else None
        if request.method != "POST" and linked is None:
            return _page("", 200 if request.path in ("/", CLASS) else 401)
        address = request.remote_addr or ""
        given = plain(request.form.get("code", "") if linked is None else linked)
        with self._lock:
            wait_s = self._guesses.wait_s(address)
            if wait_s > 0.0:
                told = f"Too many wrong codes from this screen. Wait {wait_s:.0f} seconds, then type the code anew."
                answer = _page(told, 429)
                answer.headers["Retry-After"] = f"{math.ceil(wait_s)}"
                return answer
            if hmac.compare_digest(given, plain(self.class_code)):
                return self._let_in(PUPIL, self._pupils, CLASS)
            if linked is not None or not hmac.compare_digest(given, plain(self._code)):
                self._guesses.wrong(address)
                self._wrong += 1
                if self._wrong >= CODE_OUTLIVES:
                    self._next_code()
                return _page("That is not the code. Look for the one that is shown now.", 403)
            self._guesses.right(address)
            self._next_code()
            return self._let_in(COOKIE, self._screens, "/")

    def _let_in(self, cookie: str, known: dict[str, float], to: str) -> Response:
        """Know a screen from now on, and show it where it may go."""
        screen = secrets.token_urlsafe(32)
        known[screen] = self._now_s() + SESSION_S
        while len(known) > _MOST_SCREENS:
            del known[min(known, key=lambda s: known[s])]
        answer = Response(status=303, headers={"Location": to, "Cache-Control": "no-store"})
        answer.set_cookie(cookie, screen, max_age=int(SESSION_S), httponly=True, samesite="Strict")
        return answer

    def _known(self, screen: str, among: dict[str, float]) -> bool:
        with self._lock:
            return among.get(screen, -1.0) > self._now_s()

    def _next_code(self) -> None:
        self._code, self._wrong = new_code(), 0
        self._tell(self._code)


def _is_class(path: str) -> bool:
    return path == CLASS or path.startswith(f"{CLASS}/")


def _page(told: str, status: int) -> Response:
    text = files("dashboard").joinpath("gate.html").read_text(encoding="utf-8")
    response = Response(text.replace("{told}", told), status, mimetype="text/html")
    # nothing but this page's own style, and its form sent back here
    headers: dict[str, Any] = STANDING | {"Content-Security-Policy": policy(forms="'self'")}
    for name, value in headers.items():
        response.headers[name] = value
    response.headers["Cache-Control"] = "no-store"
    return response
