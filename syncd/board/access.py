"""Who may ask the board: whoever shows its token.

Owns: which answers are open to anybody, and what the others demand.
Must not: know where a token comes from, or what is asked.
"""

from aiohttp import web

from syncd.board.token import SCHEME, is_token
from syncd.errors import SyncdError

OPEN = frozenset({"/healthz"})  # says that it is there, and nothing else


class TokenNeededError(SyncdError):
    """The request shows no token, or not this daemon's."""

    http_status = 401


class Access:
    """Answers one question: may this request be answered."""

    def __init__(self, token: str) -> None:
        self._token = token

    def check(self, request: web.Request) -> None:
        """Raise TokenNeededError unless the request may be answered."""
        resource = request.match_info.route.resource
        if resource is not None and resource.canonical in OPEN:
            return
        said = request.headers.getall("Authorization", [])
        if len(said) == 1 and is_token(said[0], self._token):
            return
        raise TokenNeededError(
            "The board's token was not shown, or it is not the one of this start.",
            remedy=f"Send what is in board.token of the state folder: Authorization: {SCHEME} …",
        )
