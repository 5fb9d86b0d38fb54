"""What stands in front of every handler: who may ask, in which form, and how a "no" looks.

Owns: Host, Origin and content type checks, the JSON of errors, headers of every answer.
Must not: know what is asked, or what shows who asks (access.py does).

The board listens on loopback. So that a page of a stranger, open in a browser on this machine,
cannot use it: the Host must be a loopback name (a rebound DNS name is not), an Origin must be the
board's own, and what changes something must say that it is JSON, which a page cannot send
elsewhere without being asked first. And whatever is asked, the token must be shown.
"""

import ipaddress
import json
import logging
from typing import Any

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from syncd.board.access import Access, TokenNeededError
from syncd.board.token import SCHEME
from syncd.errors import SyncdError, UsageError

log = logging.getLogger(__name__)

_HEADERS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}


class NotAllowedError(SyncdError):
    """The request comes from where none should come from."""

    http_status = 403


def guard_with(access: Access) -> Middleware:
    """Return the middleware that stands in front of every handler."""

    @web.middleware
    async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
        """Check the request, answer it, and turn whatever goes wrong into JSON."""
        try:
            check_origin(request)
            access.check(request)
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
        if not response.prepared:
            response.headers.update(_HEADERS)
        return response

    return guard


_LOOK = "The paths and their methods are in README.md."


def check_origin(request: web.Request) -> None:
    """Raise NotAllowedError if a page of somebody else may be behind the request."""
    host = request.headers.get("Host", "")
    if not is_loopback(host):
        raise NotAllowedError(
            f"The board does not answer to the name {host[:100]!r}.",
            remedy="Ask it as localhost or 127.0.0.1.",
        )
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"http://{host}":
        raise NotAllowedError(
            f"A page of {origin[:100]!r} asked.", remedy="Only the board's own pages may."
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


def is_loopback(host: str) -> bool:
    """Tell whether a Host header names this machine by a loopback name or address."""
    name = host[1 : host.index("]")] if host.startswith("[") and "]" in host else host
    if name is host:
        name = host.partition(":")[0]
    if name.lower().rstrip(".") == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _refused(error: SyncdError) -> web.Response:
    answer = refusal(error.http_status, error.problem, error.remedy, error.exit_code)
    if isinstance(error, TokenNeededError):
        answer.headers["WWW-Authenticate"] = SCHEME  # RFC 9110, 11.6.1: a 401 says how
    return answer


def refusal(status: int, problem: str, remedy: str, exit_code: int = 1) -> web.Response:
    """Return an error as JSON. exit_code: what a command ends with that was answered so."""
    body = {"error": {"problem": problem, "remedy": remedy, "exit_code": exit_code}}
    return web.json_response(body, status=status, headers=_HEADERS)


async def body_of(request: web.Request) -> dict[str, Any]:
    """Return the request's JSON object, an empty one for an empty body. Raises UsageError."""
    try:
        body = json.loads(await request.text() or "{}")
    except (ValueError, RecursionError) as error:
        raise UsageError("The body is not JSON.", remedy="Send a JSON object.") from error
    if not isinstance(body, dict):
        raise UsageError("The body is not a JSON object.", remedy="Send one in { }.")
    return body


def only(body: dict[str, Any], *known: str) -> None:
    """Raise UsageError if body has a key that is not known."""
    for key in body:
        if key not in known:
            names = ", ".join(known) or "none"
            raise UsageError(f"{key[:80]!r} is not a known key.", remedy=f"Known: {names}.")
