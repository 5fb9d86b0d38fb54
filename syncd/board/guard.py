"""What stands in front of every handler: who may ask, in which form, and how a "no" looks.

Owns: Host, Origin, Sec-Fetch-Site and content type checks, the JSON of errors, headers of every
answer. Must not: know what is asked, which names are ours (hosts.py), or what shows who asks
(access.py).

So that a page of a stranger, open in a browser that can reach the board, cannot use it: the Host
must be one of ours (a rebound DNS name is not), an Origin must be the board's own, a browser must
not say that another site asks, and what changes something must say that it is JSON, which a page
cannot send elsewhere without being asked first. And whatever is asked, the asker must show who it
is.
"""

import logging
from collections.abc import Callable

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from syncd.board.access import Access, TokenNeededError
from syncd.board.hosts import OWN_SITES, Hosts
from syncd.board.login import TooManyGuessesError
from syncd.board.token import SCHEME
from syncd.errors import SyncdError, UsageError
from syncd.http_doors import PROBLEM, SERVER

log = logging.getLogger(__name__)

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "Server": SERVER,
    "X-Content-Type-Options": "nosniff",
}


Know = Callable[[web.RequestHandler], None]  # hears of each connection that has shown a token


class NotAllowedError(SyncdError):
    """The request comes from where none should come from."""

    http_status = 403


def guard_with(access: Access, hosts: Hosts, know: Know) -> Middleware:
    """Return the middleware that stands in front of every handler."""

    @web.middleware
    async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
        """Check the request, answer it, and turn whatever goes wrong into JSON."""
        try:
            check_origin(request, hosts)
            access.check(request)
            if access.allows(request):
                know(request.protocol)
            check_form(request)
            response = await handler(request)
        except SyncdError as error:
            return _refused(error)
        except web.HTTPException as error:
            return refusal(error.status, f"{request.method} {request.path}: {error.reason}.", _LOOK)
        except Exception:
            # The last resort of a server: said in full in the log, and the daemon lives on.
            log.exception("%s %s failed", request.method, request.path)
            return refusal(500, "This is a mistake in syncd.", "Look at what its log says.")
        return response

    return guard


async def dress(_: web.Request, response: web.StreamResponse) -> None:
    """Give any answer, as it goes, the headers that all of them have."""
    response.headers.update(_HEADERS)


def unreadable() -> web.Response:
    """Return the answer to what was not read, and so met neither guard nor handler."""
    answer = refusal(400, PROBLEM, "Ask as README.md shows.", UsageError.exit_code)
    answer.headers.update(_HEADERS)
    return answer


_LOOK = "The paths and their methods are in README.md."


def check_origin(request: web.Request, hosts: Hosts) -> None:
    """Raise NotAllowedError if a page of somebody else may be behind the request."""
    named = request.headers.getall("Host", [])
    called = "" if request.transport is None else request.transport.get_extra_info("sockname")
    host = named[0] if len(named) == 1 else ""
    if not hosts.has(host, str(called[0]) if called else ""):
        raise NotAllowedError(
            f"The board does not answer to the name {host[:100]!r}.",
            remedy="Ask it as localhost, by its address, or by a name in node.board_names.",
        )
    origin = request.headers.get("Origin")
    if origin is not None and not hosts.is_own(origin, host):
        raise NotAllowedError(
            f"A page of {origin[:100]!r} asked.", remedy="Only the board's own pages may."
        )
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None and site not in OWN_SITES:
        raise NotAllowedError(
            f"A page elsewhere asked ({site[:20]!r}).", remedy="Only the board's own pages may."
        )


def check_form(request: web.Request) -> None:
    """Raise UsageError if the request changes something and is not plain JSON."""
    if request.method not in ("GET", "HEAD"):
        if request.content_type != "application/json":
            raise UsageError(
                "The request does not say that it is JSON.",
                remedy="Send it with Content-Type: application/json.",
            )
        if "Content-Encoding" in request.headers:
            raise UsageError("The request is compressed.", remedy="Send it as it is.")


def _refused(error: SyncdError) -> web.Response:
    answer = refusal(error.http_status, error.problem, error.remedy, error.exit_code)
    if isinstance(error, TokenNeededError):
        answer.headers["WWW-Authenticate"] = SCHEME  # RFC 9110, 11.6.1: a 401 says how
    if isinstance(error, TooManyGuessesError):
        answer.headers["Retry-After"] = str(error.retry_after_s)
    return answer


def refusal(status: int, problem: str, remedy: str, exit_code: int = 1) -> web.Response:
    """Return an error as JSON. exit_code: what a command ends with that was answered so."""
    body = {"error": {"problem": problem, "remedy": remedy, "exit_code": exit_code}}
    return web.json_response(body, status=status)
