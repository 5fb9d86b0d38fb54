"""When two addresses are one host's, as far as a ticket is concerned. Pure.

- An IPv4 address is the same whether it comes plain or mapped into IPv6 (`::ffff:10.20.0.1`): one
  port may be bound to `::` and the other to `0.0.0.0`.
- Of an IPv6 address the first 64 bits count: a box changes the rest once a day by itself
  (temporary addresses, RFC 8981, from memory), while its control connection stays.
- Link-local ones do not change; they count whole, without the name of the interface.
- What is no address (a simulation's names) is itself.
"""

from ipaddress import IPv6Address, ip_address


def host_key(address: str) -> str:
    """Return the text that two addresses of the same host have in common."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if not isinstance(found, IPv6Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    if found.is_link_local:
        return str(IPv6Address(int(found)))
    return f"{IPv6Address(int(found) >> 64 << 64)}/64"
