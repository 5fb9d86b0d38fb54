"""Whatever a header, a file or an answer holds, it is read without a failure of another kind."""

import math
from contextlib import suppress

from hypothesis import given
from hypothesis import strategies as st

from syncd.board.hosts import Hosts, name_in
from syncd.board.passphrase import MEMORY_BYTES_MAX, parse
from syncd.board.throttle import key_of
from syncd.board.token import is_token
from syncd.notices.signing import key_of as key_of_secret
from syncd.notices.webhook import seconds_in
from tests.board.world import TOKEN

HEADER = st.text() | st.text(alphabet="abc019.:[]-_@/%,; \t\u0660\u2024", max_size=30)


@given(HEADER)
def test_no_strange_host_is_ours(host: str) -> None:
    """What is taken is a name that was listed, in any case and with any port, or an address."""
    hosts = Hosts("https", frozenset({"process-1"}))
    if hosts.has(host, "10.20.0.2"):
        name = name_in(host)
        assert name in {"process-1", "localhost", "10.20.0.2"} or "." in name or ":" in name
        assert name in host.lower()
    assert not hosts.is_own(host, host)


@given(HEADER)
def test_no_strange_authorization_is_the_token(said: str) -> None:
    """Nor does one end in anything but no."""
    assert not is_token(said, TOKEN)
    assert not is_token(f"Bearer {said}", TOKEN)


@given(st.text() | st.from_regex(r"\$scrypt\$ln=\d+,r=\d+,p=\d+\$[A-Za-z0-9+/]*\$[A-Za-z0-9+/]*"))
def test_a_strange_hash_is_refused_or_can_be_paid(text: str) -> None:
    """Nothing but ValueError, and never a cost above what we give."""
    with suppress(ValueError):
        kept = parse(text)
        assert 128 * kept.block * 2**kept.log_n <= MEMORY_BYTES_MAX


@given(st.text() | st.from_regex(r"whsec_[A-Za-z0-9+/=]*"))
def test_a_strange_secret_is_refused_or_long_enough(text: str) -> None:
    """Nothing but ValueError."""
    with suppress(ValueError):
        assert 24 <= len(key_of_secret(text)) <= 64


@given(st.text() | st.datetimes().map("{:%a, %d %b %Y %H:%M:%S GMT}".format), st.integers(0, 2**42))
def test_a_strange_retry_after_is_a_time_or_none(text: str, now_utc_ms: int) -> None:
    """Finite, and never before now."""
    wait_s = seconds_in(text, now_utc_ms)
    assert wait_s >= 0
    assert math.isfinite(wait_s)


@given(st.text() | st.ip_addresses().map(str))
def test_a_strange_address_has_a_key(address: str) -> None:
    """One that is no longer than what came."""
    assert len(key_of(address)) <= max(len(address), 45)
