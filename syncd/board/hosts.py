"""By which names a board answers, and which pages may ask it. Pure.

Owns: what a Host, an Origin and a Sec-Fetch-Site header must be. Must not: look up a name.

A name that an attacker owns can be pointed at this box after a page was loaded under it
(rebinding); an address that was typed cannot, and neither can the names that a person has listed.
"""

import ipaddress
import re
from dataclasses import dataclass

_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9._-]+))(?::\d{1,5})?", re.ASCII)
# Fetch Metadata (W3C): "none" is what a person typed; another port of this machine is "same-site".
OWN_SITES = frozenset({"same-origin", "none"})


@dataclass(frozen=True, slots=True)
class Hosts:
    """The names of one board. names: in lower case, beside loopback and the address called."""

    scheme: str = "http"
    names: frozenset[str] = frozenset()

    def has(self, host: str, called: str) -> bool:
        """Tell whether a Host header names this board; called: the address the connection is to."""
        name = name_in(host)
        if name == "localhost" or name in self.names:
            return True
        address = address_of(name)
        return address is not None and (address.is_loopback or address == address_of(called))

    def is_own(self, origin: str, host: str) -> bool:
        """Tell whether an Origin header is that of a page which came from here."""
        return origin.lower() == f"{self.scheme}://{host.lower()}"


def name_in(host: str) -> str:
    """Return the name in a Host header: lower case, no port, brackets or last dot; "" if none."""
    found = _HOST.fullmatch(host.lower())
    return (found[1] or found[2]).removesuffix(".") if found else ""


def address_of(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return the address that text is, without a scope, IPv4 where it is mapped; None if none."""
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address
