"""What the system says of cables and disks, from a /sys as Linux has it."""

import os
from pathlib import Path

import pytest

from syncd.edges.hardware import SystemHardware
from syncd.edges.link_modes import fastest_mbit, fastest_of
from syncd.wire.messages import CableFacts, DiskFacts

pytestmark = pytest.mark.skipif(os.name != "posix", reason="/sys is Linux's")


def interface(sys: Path, name: str, **files: str) -> Path:
    """Make an interface; device, wireless or phy80211 are folders."""
    folder = sys / "class" / "net" / name
    folder.mkdir(parents=True)
    for file, text in ({"type": "1", "mtu": "1500"} | files).items():
        if file in {"device", "wireless", "phy80211"}:
            (folder / file).mkdir()
        else:
            (folder / file).write_text(text + "\n")
    return folder


def test_an_ethernet_port_says_how_it_runs(tmp_path: Path) -> None:
    """Rate, duplex and MTU; what it could is not known of a name that this machine has not."""
    interface(tmp_path, "enq7", device="", speed="1000", duplex="half", mtu="9000")
    assert SystemHardware(tmp_path).interface("enq7") == CableFacts(
        interface="enq7", kind="cable", mbit=1000, mtu=9000, half_duplex=True
    )


def test_a_port_without_a_cable_has_no_rate(tmp_path: Path) -> None:
    """The kernel says -1."""
    interface(tmp_path, "enq7", device="", speed="-1", duplex="unknown")
    found = SystemHardware(tmp_path).interface("enq7")
    assert (found.mbit, found.half_duplex) == (0, False)


@pytest.mark.parametrize(
    ("files", "kind"),
    [
        ({"type": "772"}, "own"),
        ({"speed": "10000"}, "virtual"),
        ({"speed": "866", "device": "", "phy80211": ""}, "wireless"),
        ({"speed": "10000", "device": ""}, "cable"),
    ],
)
def test_only_a_real_port_is_believed_its_rate(
    tmp_path: Path, files: dict[str, str], kind: str
) -> None:
    """A pair of virtual ones says 10 Gb/s, and is as fast as the memory."""
    interface(tmp_path, "enq7", **files)
    found = SystemHardware(tmp_path).interface("enq7")
    assert found.kind == kind
    assert bool(found.mbit) is (kind == "cable")


def test_this_machine_reaches_itself_over_loopback() -> None:
    """Found by the way that a packet would take; an address that is none leads nowhere."""
    found = SystemHardware().cable_to("127.0.0.1")
    assert (found.interface, found.kind, found.mbit) == ("lo", "own", 0)
    assert SystemHardware().cable_to("no address") == CableFacts()


def usb(sys: Path, rate: str) -> Path:
    """Make a disk behind a USB device behind a hub; return the folder of its partition."""
    hub = sys / "devices" / "pci0000:00" / "usb2"
    device = hub / "2-1"
    disk = device / "2-1:1.0" / "host0" / "block" / "sdz"
    (disk / "sdz1").mkdir(parents=True)
    for folder, speed in ((hub, "10000"), (device, rate)):
        (folder / "idVendor").write_text("0bda\n")
        (folder / "speed").write_text(speed + "\n")
    return disk / "sdz1"


def block(sys: Path, path: Path, folder: Path) -> Path:
    """Say that the device on which path lies is that folder; return its link."""
    device = path.stat().st_dev
    numbers = f"{os.major(device)}:{os.minor(device)}"
    link = sys / "dev" / "block" / numbers
    link.parent.mkdir(parents=True, exist_ok=True)
    link.symlink_to(folder)
    return link


@pytest.fixture
def on_a_device(tmp_path: Path) -> Path:
    """Give a folder on a disk that has a number."""
    if os.major(tmp_path.stat().st_dev) == 0:
        pytest.skip("the temporary folder lies on no block device")
    return tmp_path


@pytest.mark.parametrize(("rate", "mbit"), [("480", 480), ("5000", 5000), ("1.5", 1)])
def test_a_disk_on_usb_is_known_by_its_nearest_device(
    on_a_device: Path, rate: str, mbit: int
) -> None:
    """Not by the hub above it, which may be faster."""
    sys = on_a_device / "sys"
    block(sys, on_a_device, usb(sys, rate))
    assert SystemHardware(sys).disk_of(str(on_a_device)) == DiskFacts(usb_mbit=mbit)


def test_a_disk_that_is_made_of_others_is_known_by_theirs(on_a_device: Path) -> None:
    """An encrypted volume on a card in a reader."""
    sys = on_a_device / "sys"
    card = usb(sys, "480")
    volume = sys / "devices" / "virtual" / "block" / "dm-0"
    (volume / "slaves").mkdir(parents=True)
    (volume / "slaves" / "sdz1").symlink_to(card)
    block(sys, on_a_device, volume)
    assert SystemHardware(sys).disk_of(str(on_a_device)) == DiskFacts(usb_mbit=480)


def test_a_disk_without_usb_has_no_such_rate(on_a_device: Path) -> None:
    """Nor has a folder that is not there."""
    sys = on_a_device / "sys"
    disk = sys / "devices" / "pci0000:00" / "block" / "nvme0n1"
    disk.mkdir(parents=True)
    block(sys, on_a_device, disk)
    assert SystemHardware(sys).disk_of(str(on_a_device)) == DiskFacts()
    assert SystemHardware(sys).disk_of(str(on_a_device / "absent")) == DiskFacts()


@pytest.mark.parametrize(
    ("bits", "mbit"),
    [
        ((0, 1, 2, 3, 4, 5, 6, 7), 1000),
        ((3, 5, 12, 47, 48), 10_000),
        ((6, 7, 13), 0),
        ((33,), 25_000),
    ],
)
def test_the_fastest_mode_counts(bits: tuple[int, ...], mbit: int) -> None:
    """Bits as in linux/ethtool.h, enum ethtool_link_mode_bit_indices; some are no rates."""
    assert fastest_of(sum(1 << bit for bit in bits)) == mbit


def test_an_interface_that_does_not_say_is_no_error() -> None:
    """Loopback has no modes, and another has no such name."""
    assert fastest_mbit("lo") == fastest_mbit("nowhere0") == 0
