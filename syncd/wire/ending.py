"""When a box's certificate ends, and how long before that a person is told.

Must not: read a clock; times are passed in.
"""

import asyncio

from cryptography import x509

_DAY_MS = 86_400_000
WARN_BEFORE_MS = 56 * _DAY_MS  # eight weeks: longer than most shoots, so never first in mid-shoot
SHOW_BEFORE_MS = 365 * _DAY_MS
RENEWAL = (
    "Between two shoots: stop syncd there, move the folder keys out of its state folder, start it "
    "(new keys are made), forget it on the other boxes by `syncd peers forget`, and pair it again."
)


def certificate_end(transport: asyncio.BaseTransport | None) -> int | None:
    """Return when the certificate that the other side of a connection showed ends, in UTC ms."""
    tls = None if transport is None else transport.get_extra_info("ssl_object")
    der = None if tls is None else tls.getpeercert(binary_form=True)
    if der is None:
        return None
    try:
        ends = x509.load_der_x509_certificate(der).not_valid_after_utc
    except ValueError:
        return None  # the TLS library could read it, and takes care of its dates
    return int(ends.timestamp() * 1000)


def is_ending(ends_utc_ms: int | None, now_utc_ms: int) -> bool:
    """Tell whether a person has to do something about it now."""
    return ends_utc_ms is not None and ends_utc_ms - now_utc_ms < WARN_BEFORE_MS


def is_worth_showing(ends_utc_ms: int | None, now_utc_ms: int) -> bool:
    """Tell whether the date is near enough to be told beside the box's name."""
    return ends_utc_ms is not None and ends_utc_ms - now_utc_ms < SHOW_BEFORE_MS
