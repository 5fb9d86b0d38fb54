"""Which addresses are one host's."""

import pytest

from syncd.wire.hosts import host_key


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("10.20.0.1", "::ffff:10.20.0.1"),
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2:bbbb::9"),
        ("fe80::1%eth0", "fe80::1"),
        ("offload-1", "offload-1"),
    ],
)
def test_one_host_under_two_addresses(one: str, other: str) -> None:
    """Mapped, with another temporary part, with the interface's name, or a plain name."""
    assert host_key(one) == host_key(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("10.20.0.1", "10.20.0.2"),
        ("2001:db8:1:2::1", "2001:db8:1:3::1"),
        ("fe80::1", "fe80::2"),
        ("::ffff:10.20.0.1", "::ffff:10.20.0.2"),
        ("", "10.20.0.1"),
    ],
)
def test_two_hosts(one: str, other: str) -> None:
    """Another address, another network of IPv6."""
    assert host_key(one) != host_key(other)
