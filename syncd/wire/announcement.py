"""What a node says of itself on the local network, and how what others say is read.

Owns: instance name and TXT record (RFC 6763), and which network addresses are worth using.
Must not: open a socket. Nothing in here makes anyone trusted: anybody can announce anything.
"""

import ipaddress
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from syncd.wire.fingerprints import PREFIX, device_id, fingerprint_bytes

SERVICE_TYPE = "_syncd._tcp.local."
LABEL_BYTES_MAX = 63  # RFC 6763, 4.1.1: an instance name is one DNS label
TXT_VERSION = b"1"
PAIRING = b"1"
FINGERPRINT_BYTES = 32
ROLES_BYTES_MAX = 100
ROLES = ("offload", "processing", "editorial")

# Interfaces that lead to no other box on the set: loopback, containers, virtual machines, tunnels.
SKIPPED_PREFIXES = (
    "lo", "docker", "br-", "bridge", "virbr", "veth", "vmnet", "vboxnet", "vnet", "cni", "flannel",
    "lxc", "lxd", "podman", "ifb", "dummy", "tun", "tap", "utun", "wg", "tailscale", "zt", "ppp",
    "ipsec", "gif", "stf", "awdl", "llw",
)  # fmt: skip


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """One address of this box: the interface's name and the IPv4 address on it."""

    interface: str
    address: str


@dataclass(frozen=True, slots=True)
class Announcement:
    """What somebody says of itself. Untrusted, but of a bounded size and readable."""

    fingerprint: str
    shown_name: str
    roles: tuple[str, ...]
    is_pairing: bool = False


def instance_name(name: str, fingerprint: str) -> str:
    """Return "NAME DEVICE", cut to one DNS label without splitting a character."""
    ending = f" {device_id(fingerprint)}"
    room = LABEL_BYTES_MAX - len(ending.encode())
    shown = unicodedata.normalize("NFC", displayable(name)) or "syncd"
    return shown.encode()[:room].decode(errors="ignore").rstrip() + ending


def is_name_of(full_name: str, name: str, fingerprint: str) -> bool:
    """Tell whether a node of that name announces itself so, or as one of nine whose name is taken.

    Anybody can take such a name; but there are only so many of them.
    """
    label = full_name.removesuffix("." + SERVICE_TYPE)
    own = instance_name(name, fingerprint)
    return label == own or (len(label) == len(own) + 2 and label[:-1] == own + "-")


def txt_record(
    fingerprint: str, roles: Iterable[str], *, is_pairing: bool = False
) -> dict[str, bytes]:
    """Return the TXT record: its version first, then raw bytes, as RFC 6763 6.5 and 6.7 ask.

    is_pairing: a pairing code is shown; nothing of the code is in it.
    """
    record = {
        "txtvers": TXT_VERSION,
        "fp": fingerprint_bytes(fingerprint),
        "roles": ",".join(roles).encode(),
    }
    return record | ({"pair": PAIRING} if is_pairing else {})


def read_announcement(full_name: str, txt: Mapping[bytes, bytes | None]) -> Announcement:
    """Read an announcement of a stranger. Raises ValueError if it is none of ours."""
    version, raw = txt.get(b"txtvers"), txt.get(b"fp")
    if version != TXT_VERSION:
        raise ValueError("a version of the record that we do not know")
    if raw is None or len(raw) != FINGERPRINT_BYTES:
        raise ValueError("no fingerprint of 32 bytes")
    said = (txt.get(b"roles") or b"")[:ROLES_BYTES_MAX].split(b",")
    roles = tuple(role for role in ROLES if role.encode() in said)
    fingerprint = PREFIX + raw.hex()
    label = full_name.removesuffix("." + SERVICE_TYPE)
    shown = displayable(label)[:LABEL_BYTES_MAX]
    name = shown.removesuffix(f" {device_id(fingerprint)}")
    return Announcement(fingerprint, name, roles, is_pairing=txt.get(b"pair") == PAIRING)


def displayable(text: str) -> str:
    """Drop what would move the cursor or hide text when shown."""
    return "".join(c for c in text if unicodedata.category(c)[0] not in "CZ" or c == " ").strip()


def usable_places(found: Iterable[Place], wanted: Iterable[str]) -> tuple[Place, ...]:
    """Return the places to announce on, sorted.

    wanted: interface names or addresses, nothing else is used then; empty: all but those that
    lead to no other box.
    """
    asked_for = set(wanted)
    if asked_for:
        return tuple(sorted(p for p in found if asked_for & {p.interface, p.address}))
    return tuple(sorted(place for place in found if _leads_out(place)))


def bound_places(places: Iterable[Place], host: str) -> tuple[Place, ...]:
    """Return the places at which a port that is bound to host can be reached by other boxes.

    host: an address, one for all of this box, or a name, of which nothing is known but localhost.
    """
    found = tuple(places)
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        is_local = host.rstrip(".").lower() == "localhost"
        return bound_places(found, "127.0.0.1") if is_local else found
    if address.is_unspecified:
        return found
    return tuple(place for place in found if place.address == host)


def _leads_out(place: Place) -> bool:
    address = ipaddress.ip_address(place.address)
    if address.is_loopback or address.is_multicast or address.is_unspecified:
        return False
    return not place.interface.lower().startswith(SKIPPED_PREFIXES)
