"""What the system says of cables and disks: the interface to a box, and the USB link of a disk.

Owns: reading /sys and the list of addresses (Linux; elsewhere nothing is known). Must not: change
anything, or guess: what is not said is "" or 0.

Implements speed.hardware.Hardware. Blocks shortly: call it aside.
"""

import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import ifaddr

from syncd.edges.link_modes import fastest_mbit
from syncd.edges.mounts import source_of
from syncd.wire.messages import CableFacts, DiskFacts

SYS = Path("/sys")
_LAYERS_MAX = 8  # of disks made of disks: encryption on volumes on arrays
_ANY_PORT = 9  # nothing is sent: connect() of a datagram socket only looks for the way


class SystemHardware:
    """The machine's. root: where /sys is."""

    def __init__(self, root: Path = SYS) -> None:
        self._root = root

    def cable_to(self, host: str) -> CableFacts:
        """Say over which interface this box reaches host, and how that runs."""
        address = _own_address(host)
        name = _interface_of(address) if address else ""
        return self.interface(name, ipv6=":" in address) if name else CableFacts()

    def interface(self, name: str, *, ipv6: bool = False) -> CableFacts:
        """Say how an interface runs."""
        if sys.platform != "linux":
            return CableFacts(interface=name, ipv6=ipv6)
        folder = self._root / "class" / "net" / name
        kind = _kind(folder)
        is_real = kind == "cable"
        return CableFacts(
            interface=name,
            kind=kind,
            # What others say of themselves (veth: 10 Gb/s) is made up.
            mbit=_number(folder / "speed") if is_real else 0,
            can_mbit=fastest_mbit(name) if is_real else 0,
            mtu=_number(folder / "mtu"),
            half_duplex=is_real and _text(folder / "duplex") == "half",
            ipv6=ipv6,
        )

    def disk_of(self, path: str) -> DiskFacts:
        """Say how the disk is connected on which a folder lies: the slowest, if it has several."""
        try:
            device = os.stat(path).st_dev
        except OSError:
            return DiskFacts()
        if os.major(device) == 0:  # no device of its own, as btrfs: look at what was mounted
            device = _device_of(source_of(device, path))
        found = [usb for usb in self._usb_links(device) if usb]
        return DiskFacts(usb_mbit=min(found, default=0))

    def _usb_links(self, device: int) -> Iterator[int]:
        block = self._root / "dev" / "block" / f"{os.major(device)}:{os.minor(device)}"
        for folder in _lowest(block.resolve(), _LAYERS_MAX):
            yield _usb_mbit(folder)


def _lowest(block: Path, layers_left: int) -> Iterator[Path]:
    """Yield the real disks below one that may be made of others."""
    try:
        below = sorted((block / "slaves").iterdir())
    except OSError:
        below = []
    if not below or layers_left == 0:
        yield block
        return
    for each in below:
        yield from _lowest(each.resolve(), layers_left - 1)


def _usb_mbit(folder: Path) -> int:
    """Return the rate of the USB device that folder belongs to; 0 if it hangs on no USB."""
    for above in folder.parents:
        if (above / "idVendor").is_file() and (above / "speed").is_file():
            return _number(above / "speed")
    return 0


def _kind(folder: Path) -> str:
    if not folder.exists():
        return ""
    if _text(folder / "type") == "772":  # ARPHRD_LOOPBACK, linux/if_arp.h
        return "own"
    if (folder / "wireless").exists() or (folder / "phy80211").exists():
        return "wireless"
    return "cable" if (folder / "device").exists() else "virtual"


def _own_address(host: str) -> str:
    """Return the address from which this box would reach host; "" if it could not."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as way:
            way.connect((host, _ANY_PORT))
            return str(way.getsockname()[0]).partition("%")[0].removeprefix("::ffff:")
    except OSError:
        return ""


def _interface_of(address: str) -> str:
    """Return the name of the interface that has an address; "" if none has it any more."""
    for adapter in ifaddr.get_adapters():
        for each in adapter.ips:
            ip = each.ip if isinstance(each.ip, str) else each.ip[0]
            if ip.partition("%")[0] == address:
                return str(adapter.name)
    return ""


def _device_of(source: str) -> int:
    try:
        return os.stat(source).st_rdev if source.startswith("/dev/") else 0
    except OSError:
        return 0


def _number(path: Path) -> int:
    """Return the whole number in a file; 0 if there is none, or it means "not known" (-1)."""
    try:
        return max(0, int(float(_text(path) or 0)))
    except ValueError:
        return 0


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:  # of an interface that is down, too: EINVAL
        return ""
