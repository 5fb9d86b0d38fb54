"""What a cable can carry at most, by arithmetic: the rate on the wire, less what is not payload.

Owns: the figures of the formats and how they are put together. Must not: measure, or do I/O.

A frame that is as long as the MTU takes 38 octets more on the wire: preamble and start delimiter 8,
addresses and type 14, check sequence 4, gap 12 (IEEE 802.3, clause 3). Within the MTU are the IP
header (RFC 791, 3.1; RFC 8200, 3) and that of TCP (RFC 9293, 3.1), with its timestamps, which the
systems use (RFC 7323, 3.2). The line code is outside of the nominal rate already. So of 1 Gb/s at
MTU 1500 117.69 MB/s are left. A measured rate above that means that bytes were not sent.
"""

FRAME_BYTES = 38
IPV4_BYTES, IPV6_BYTES = 20, 40
TCP_BYTES = 20
TIMESTAMPS_BYTES = 12
MTU_MIN = 576  # RFC 791, 3.1: no shorter one is of any use here
# USB 2.0, High-Speed: 480 Mb/s on the wire, protocol included.
USB2_MBIT = 480
# How far a rate may be above the arithmetic before it is said: clocks, and TCP without timestamps.
TOLERANCE = 1.02


def payload_rate(
    link_mbit: int, mtu_bytes: int, *, ipv6: bool = False, stamps: bool = True
) -> float:
    """Return the most bytes of payload per second over TCP; 0.0 if the link's rate is not known."""
    if link_mbit <= 0 or mtu_bytes < MTU_MIN:
        return 0.0
    headers = (IPV6_BYTES if ipv6 else IPV4_BYTES) + TCP_BYTES + (TIMESTAMPS_BYTES if stamps else 0)
    share = (mtu_bytes - headers) / (mtu_bytes + FRAME_BYTES)
    return link_mbit * 1_000_000 / 8 * share


def in_turns(*rates: float) -> float:
    """Return the rate at which bytes pass that each of these treats in turn, not at once."""
    return 1 / sum(1 / rate for rate in rates)
