"""A URL as a subscriber: one signed POST for each notice.

Owns: the request, its limits in time and size, what an answer means.
Must not: decide when to try again (outbox.py does), or let a secret into a note or a log.

Sources: Standard Webhooks 1.0.0 (headers, signature, which answers mean what); CloudEvents 1.0.2,
HTTP binding, structured mode. Redirects are not followed: a body goes where a person sent it.
The answer's body is not read.
"""

import asyncio
import email.utils
import ssl
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import urlsplit

import aiohttp

from syncd import __version__
from syncd.errors import SyncdError
from syncd.journal.notices import NoticeRow
from syncd.limits import WEBHOOK_TIMEOUT_S_DEFAULT
from syncd.notices.cloud_events import CONTENT_TYPE, cloud_event, encoded
from syncd.notices.signing import signature
from syncd.notices.subscriber import KINDS_DEFAULT, Outcome
from syncd.ports import Clock

_CONNECT_S = 10.0
_SLOW_DOWN = frozenset({429, 502, 503, 504})
_REDIRECTS = range(300, 400)


@dataclass(frozen=True, slots=True)
class Target:
    """Where notices are sent. ca_file: whom to believe instead of the system's authorities."""

    url: str
    ca_file: str | None = None

    @property
    def host(self) -> str:
        """What may be said of it: the rest of a URL may be as secret as a key."""
        return urlsplit(self.url).netloc.rpartition("@")[2]


class WebhookSubscriber:
    """Sends each notice to target.

    keys: called at every attempt, beside the loop, so that a secret can be replaced while syncd
    runs; raises OSError, ValueError or SyncdError.
    """

    def __init__(
        self,
        name: str,
        target: Target,
        node: str,
        keys: Callable[[], Sequence[bytes]],
        clock: Clock,
        *,
        kinds: Collection[str] = KINDS_DEFAULT,
        timeout_s: float = WEBHOOK_TIMEOUT_S_DEFAULT,
    ) -> None:
        self.name = name
        self.kinds = tuple(kinds)
        self._target = target
        self._node = node
        self._keys = keys
        self._clock = clock
        self._timeout_s = timeout_s

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        """Send the notice once. If cancelled, nobody knows whether it arrived: it is sent again."""
        try:
            keys, tls = await asyncio.to_thread(self._secrets)
        except (OSError, ValueError, SyncdError) as error:
            return self._failed(f"its secret or authority cannot be used: {_said(error)}")
        body = encoded(cloud_event(notice, path, self._node))
        now_s = self._clock.utc_ms() // 1000
        headers = {
            "Content-Type": CONTENT_TYPE,
            "User-Agent": f"syncd/{__version__}",
            "webhook-id": notice.notice_id,
            "webhook-timestamp": str(now_s),
            "webhook-signature": signature(keys, notice.notice_id, now_s, body),
        }
        try:
            async with asyncio.timeout(self._timeout_s):
                status, retry_after = await self._post(body, headers, tls)
        except TimeoutError:
            return self._failed(f"did not answer in {self._timeout_s:g} s")
        except (aiohttp.ClientError, OSError, ValueError) as error:
            return self._failed(_said(error))
        return self._meaning(status, retry_after)

    def _secrets(self) -> tuple[Sequence[bytes], ssl.SSLContext]:
        """Read what may change while syncd runs. Blocks."""
        return self._keys(), ssl.create_default_context(cafile=self._target.ca_file)

    async def _post(
        self, body: bytes, headers: dict[str, str], tls: ssl.SSLContext
    ) -> tuple[int, str]:
        """Return status and Retry-After. Nothing of a session stays: no cookie, no connection."""
        connector = aiohttp.TCPConnector(ssl=tls, limit=1, force_close=True)
        async with (
            aiohttp.ClientSession(
                connector=connector,
                cookie_jar=aiohttp.DummyCookieJar(),
                timeout=aiohttp.ClientTimeout(total=self._timeout_s, connect=_CONNECT_S),
                auto_decompress=False,
                trust_env=False,
            ) as session,
            session.post(
                self._target.url, data=body, headers=headers, allow_redirects=False
            ) as answer,
        ):
            found = answer.status, answer.headers.get("Retry-After", "")
            answer.close()  # with whatever it still has to say
            return found

    def _meaning(self, status: int, retry_after: str) -> Outcome:
        if 200 <= status < 300:
            return Outcome(delivered=True, note=f"webhook {self._target.host} took it ({status})")
        if status == HTTPStatus.GONE:
            note = f"webhook {self._target.host} is gone (410)"
            return Outcome(delivered=False, note=note, is_gone=True)
        if status in _REDIRECTS:
            return self._failed(f"redirects ({status}), which is not followed")
        wait_s = seconds_in(retry_after, self._clock.utc_ms()) if status in _SLOW_DOWN else 0.0
        return self._failed(f"answers {status}", wait_s)

    def _failed(self, why: str, wait_s: float = 0.0) -> Outcome:
        note = f"webhook {self._target.host} {why}"
        return Outcome(delivered=False, note=note, least_wait_s=wait_s)


def seconds_in(retry_after: str, now_utc_ms: int) -> float:
    """Return how long a Retry-After asks to wait (RFC 9110, 10.2.3); 0.0 if it makes no sense."""
    text = retry_after.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        moment = email.utils.parsedate_to_datetime(text)
        return max(0.0, moment.timestamp() - now_utc_ms / 1000)
    except (ValueError, TypeError, OverflowError, OSError):
        return 0.0


def _said(error: Exception) -> str:
    """Return what went wrong, without what an error may quote of a URL or a secret."""
    if isinstance(error, aiohttp.ClientConnectorCertificateError):
        return "shows a certificate that cannot be trusted"
    if isinstance(error, aiohttp.ClientConnectorError):
        return f"cannot be reached: {error.strerror or type(error.os_error).__name__}"
    if isinstance(error, SyncdError):
        return error.problem
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, aiohttp.ClientError):
        return f"does not answer as a web server does ({type(error).__name__})"
    return str(error) or type(error).__name__
