"""One HTTP connection of either server, with our words for what aiohttp would say by itself.

Owns: the answer to what cannot be read as HTTP, its line in the log, the Server header.
Must not: know what is asked, or who asks.

What the parser refuses reaches no handler of ours: aiohttp answers it with the parser's words and
the versions of library and interpreter, and logs a traceback. Whoever reaches a port can make as
many of those as he likes, so they are said now and then.
"""

import asyncio
from collections.abc import Callable
from typing import Any

from aiohttp import hdrs, web
from aiohttp.http_exceptions import HttpProcessingError

from syncd.repeats import Repeats

SERVER = "syncd"
PROBLEM = "This is no HTTP request, or its head is too long."
_KEY = "unreadable"  # one for all: there are more hosts than room


class HttpDoor(web.RequestHandler):
    """Serves one connection for server.

    refuse: makes the answer to what cannot be read. more: as for aiohttp's own.
    """

    __slots__ = ("_refuse", "_repeats")

    def __init__(
        self,
        server: web.Server,
        refuse: Callable[[], web.Response],
        repeats: Repeats,
        **more: Any,
    ) -> None:
        kept: dict[str, Any] = {"access_log": None, **more}
        super().__init__(server, loop=asyncio.get_running_loop(), **kept)
        self._refuse = refuse
        self._repeats = repeats

    def data_received(self, data: bytes) -> None:
        """Take bytes in. Of what cannot be read, no more is kept than that it could not.

        The parser's error leads to the call that met it, with the bytes, and that call to the
        error: a cycle, and the interpreter looks for cycles seldom here (cli/service.py).
        """
        super().data_received(data)
        for message, _ in self._messages:
            error = getattr(message, "exc", None)
            if isinstance(error, BaseException):
                error.__traceback__ = error.__context__ = error.__cause__ = None

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Answer what was not read in our words; the connection ends with it."""
        if not isinstance(exc, HttpProcessingError):
            return super().handle_error(request, status, exc, message)
        self._say()
        answer = self._refuse()
        answer.force_close()
        return answer

    async def finish_response(
        self, request: web.BaseRequest, resp: web.StreamResponse, start_time: float | None
    ) -> tuple[web.StreamResponse, bool]:
        """Send the answer, without the versions that aiohttp would put into it."""
        resp.headers.setdefault(hdrs.SERVER, SERVER)
        return await super().finish_response(request, resp, start_time)

    def _say(self) -> None:
        name = self.peername
        host = name[0] if isinstance(name, tuple) else "somebody"
        self._repeats.trouble(_KEY, f"{host} sent what cannot be read as HTTP; it was refused")
