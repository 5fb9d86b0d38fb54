"""Who may ask the board: whoever shows its token, or is logged in where people may log in.

Owns: which answers are open to anybody, and what the others demand.
Must not: know where a token comes from, or what is asked.
"""

from aiohttp import web

from syncd.board.login import Login
from syncd.board.token import SCHEME, is_token
from syncd.errors import SyncdError

OPEN = frozenset({"/healthz"})  # says that it is there, and nothing else
LOGIN = "/api/login"
# Whom this box trusts is changed on this box, where the token is; a passphrase gets about.
TRUST = ("/api/pairing", "/api/peers/")


class TokenNeededError(SyncdError):
    """The request shows no token, or not this daemon's."""

    http_status = 401


class OnTheBoxError(SyncdError):
    """Only whoever shows the token may do it; a passphrase is not enough."""

    http_status = 403


class Access:
    """Answers one question: may this request be answered.

    login: only where what is said travels sealed.
    """

    def __init__(self, token: str, login: Login | None = None) -> None:
        self._token = token
        self.login = login

    def check(self, request: web.Request) -> None:
        """Raise TokenNeededError or OnTheBoxError unless the request may be answered."""
        resource = request.match_info.route.resource
        path = "" if resource is None else resource.canonical
        if path in OPEN or (path == LOGIN and self.login is not None):
            return
        if self.allows(request):
            if path.startswith(TRUST) and "Authorization" not in request.headers:
                raise OnTheBoxError(
                    "Whom this box trusts is not changed from another machine.",
                    remedy="Run `syncd pair` or `syncd peers forget` on the box itself.",
                )
            return
        remedy = f"Send what is in board.token of the state folder: Authorization: {SCHEME} …"
        if self.login is not None:
            remedy += f"; or log in: POST {LOGIN}"
        problem = "The board's token was not shown, or it is not the one of this start."
        raise TokenNeededError(problem, remedy=remedy)

    def allows(self, request: web.Request) -> bool:
        """Tell whether the request shows the token, or is part of a session that is open now."""
        said = request.headers.getall("Authorization", [])
        if said:
            return len(said) == 1 and is_token(said[0], self._token)
        return self.login is not None and self.login.is_open(request)
