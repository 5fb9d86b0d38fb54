"""The fastest rate that a network interface could run at, from the kernel's own list of its modes.

Owns: one ioctl, ETHTOOL_GLINKSETTINGS, which any user may ask (linux/ethtool.h, names and numbers
as there). Must not: change a setting, or guess: where there is no answer, it is 0.
"""

import ctypes
import socket
import struct
import sys

_SIOCETHTOOL = 0x8946  # linux/sockios.h
_GLINKSETTINGS = 0x4C
_HEADER = struct.Struct("=IIBBBBBBBbBBBB28x")  # struct ethtool_link_settings, without its masks
_WORDS_MAX = 127
_IFNAME_BYTES = 16  # IFNAMSIZ
# ETHTOOL_LINK_MODE_…_BIT: the rate in Mb/s, and the bits of its modes with full duplex.
_MODES = {
    10: (1, 92),
    100: (3, 67, 91),
    1000: (5, 17, 41, 68),
    2500: (15, 47),
    5000: (48,),
    10_000: (12, 18, 19, 20, 42, 43, 44, 45, 46),
    20_000: (21, 22),
    25_000: (31, 32, 33),
    40_000: (23, 24, 25, 26),
    50_000: (34, 35, 40, 52, 53, 54, 55, 56),
    56_000: (27, 28, 29, 30),
    100_000: (36, 37, 38, 39, 57, 58, 59, 60, 61, 75, 76, 77, 78, 79),
    200_000: (62, 63, 64, 65, 66, 80, 81, 82, 83, 84),
    400_000: (69, 70, 71, 72, 73, 85, 86, 87, 88, 89),
}


class _Request(ctypes.Structure):
    """The part of struct ifreq that SIOCETHTOOL uses (netdevice(7)): a name and a pointer."""

    _fields_ = (
        ("name", ctypes.c_char * _IFNAME_BYTES),
        ("data", ctypes.c_void_p),
        ("rest", ctypes.c_char * 16),
    )


def fastest_mbit(interface: str) -> int:
    """Return the most that an interface supports, in Mb/s; 0 if nobody says."""
    if sys.platform != "linux":
        return 0
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            words = -_asked(asked, interface, 0)[0]  # the first time it says how many there are
            if not 0 < words <= _WORDS_MAX:
                return 0
            _, supported = _asked(asked, interface, words)
    except OSError:
        return 0
    return fastest_of(supported)


def fastest_of(supported: int) -> int:
    """Return the fastest rate among modes, each of them a bit of supported; 0: none is known."""
    return max(
        (mbit for mbit, bits in _MODES.items() if any(supported >> bit & 1 for bit in bits)),
        default=0,
    )


def _asked(asked: socket.socket, interface: str, words: int) -> tuple[int, int]:
    """Return how many words a mask has, as the kernel says it, and the mask of what it can."""
    import fcntl  # noqa: PLC0415  # absent on Windows

    room = ctypes.create_string_buffer(_HEADER.size + 3 * 4 * words)
    _HEADER.pack_into(room, 0, _GLINKSETTINGS, 0, 0, 0, 0, 0, 0, 0, 0, words, 0, 0, 0, 0)
    request = _Request(interface.encode()[: _IFNAME_BYTES - 1], ctypes.addressof(room))
    fcntl.ioctl(asked, _SIOCETHTOOL, request)
    found = int(_HEADER.unpack_from(room)[9])
    mask = room.raw[_HEADER.size : _HEADER.size + 4 * words]
    parts = struct.unpack(f"={words}I", mask)
    return found, sum(part << 32 * place for place, part in enumerate(parts))
