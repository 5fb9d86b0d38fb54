"""The body of a request: one JSON object with keys that are known.

Owns: reading it within its time and size. Must not: know what the keys mean.
"""

import asyncio
import json
from typing import Any

from aiohttp import web

from syncd.errors import SyncdError, UsageError

_CHARSETS = frozenset({"utf-8", "utf8", "us-ascii"})
BODY_S = 10.0  # at most 64 KiB; a body that drips would keep a connection for ever


class SlowBodyError(SyncdError):
    """The body did not come in time."""

    http_status = 408


async def body_of(request: web.Request) -> dict[str, Any]:
    """Return the request's JSON object, an empty one for an empty body. Raises UsageError."""
    # Any other charset is the stranger's choice of a codec: some take seconds for 64 KiB.
    if (request.charset or "utf-8").lower() not in _CHARSETS:
        raise UsageError("The body is not in UTF-8.", remedy="Send UTF-8.")
    try:
        async with asyncio.timeout(BODY_S):
            text = (await request.read()).decode()
    except TimeoutError:
        problem = f"The body was not there after {BODY_S:.0f} s."
        raise SlowBodyError(problem, remedy="Send it at once.") from None
    except ConnectionError:  # nobody is there to read this; nor is it worth a traceback
        problem = "The connection ended within the body."
        raise UsageError(problem, remedy="Send it whole.") from None
    except UnicodeDecodeError as error:
        raise UsageError("The body is not UTF-8 text.", remedy="Send a JSON object.") from error
    try:
        body = json.loads(text or "{}")
        json.dumps(body, ensure_ascii=False).encode()  # half a character escaped is no text
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
