"""The figures of the published formats: what a link leaves for payload."""

import pytest

from syncd.speed.arithmetic import in_turns, payload_rate
from syncd.speed.together import Amount

# IEEE 802.3 (38 octets around a frame), RFC 791 and RFC 9293 (20 octets each), RFC 7323 (12): the
# rates in MB/s for 1, 2.5, 10 and 25 Gb/s.
TABLE = [
    (1500, False, (118.66, 296.65, 1186.61, 2966.51)),
    (1500, True, (117.69, 294.21, 1176.85, 2942.13)),
    (9000, False, (123.92, 309.80, 1239.21, 3098.03)),
    (9000, True, (123.76, 309.39, 1237.55, 3093.88)),
]


@pytest.mark.parametrize(("mtu", "stamps", "rates"), TABLE)
def test_payload_over_ethernet_is_what_the_formats_leave(
    mtu: int, stamps: bool, rates: tuple[float, ...]
) -> None:
    """To a hundredth of a MB/s."""
    for mbit, rate in zip((1000, 2500, 10_000, 25_000), rates, strict=True):
        assert round(payload_rate(mbit, mtu, stamps=stamps) / 1e6, 2) == rate


def test_a_terabyte_takes_as_long_as_the_formats_say() -> None:
    """10^12 bytes at MTU 1500, with timestamps."""
    minutes = [round(1e12 / payload_rate(mbit, 1500) / 60, 1) for mbit in (1000, 2500, 10_000)]
    assert minutes == [141.6, 56.6, 14.2]


def test_ipv6_has_a_longer_header() -> None:
    """40 octets (RFC 8200, section 3) in place of 20: 1428 of 1538 are left."""
    assert payload_rate(1000, 1500, ipv6=True) == pytest.approx(125e6 * 1428 / 1538)


def test_nothing_is_said_of_a_link_of_which_nothing_is_known() -> None:
    """No rate, or an MTU that nobody has."""
    assert payload_rate(0, 1500) == payload_rate(1000, 0) == 0.0


def test_what_is_done_in_turns_takes_both_times() -> None:
    """300 MB/s and 600 MB/s one after the other are 200."""
    assert in_turns(300e6, 600e6) == pytest.approx(200e6)


@pytest.mark.parametrize("elapsed_s", [0.0, 5e-324, 1e-9])
def test_what_took_no_time_has_no_rate(elapsed_s: float) -> None:
    """A peer may say so of its part; an endless rate could be neither shown nor written as JSON."""
    assert Amount((1 << 63) - 1, elapsed_s).rate is None
