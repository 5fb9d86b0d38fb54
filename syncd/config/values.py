"""Values in the configuration: how each kind is written, and what to say when it is not.

Owns: the forms of addresses, sizes, fingerprints, paths and times of day; reading a table key by
key, and collecting every problem of a file before anything is said.
Must not: know which keys there are (config.py), open a file.
"""

import difflib
import ipaddress
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import time
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar, cast
from urllib.parse import urlsplit

from syncd.notices.signing import key_of

T = TypeVar("T")
E = TypeVar("E", bound=Enum)

_SHOWN_CHARACTERS_MAX = 80
_COMPARED_MAX = 100  # comparing takes time; nobody reads so many problems at once
_PORT_MAX = 65535
_UNITS = {"": 0, "k": 1, "m": 2, "g": 3, "t": 4, "p": 5}
_SIZE = re.compile(r"(\d{1,15}(?:\.\d{1,6})?)\s*([kmgtp]?)(i?)b?", re.IGNORECASE | re.ASCII)
_FINGERPRINT = re.compile(r"sha256:[0-9a-f]{64}", re.ASCII)
_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,61}[A-Za-z0-9])?", re.ASCII)
_HOST_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?\.?", re.ASCII)
_URL = re.compile(r"[!-~]{1,2000}", re.ASCII)
_NETWORK = 'a network of at most 256 addresses, or an IPv6 /64, such as "10.20.0.0/24"'
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


class _Required:
    """Stands for "there is no default"."""


REQUIRED = _Required()


@dataclass(frozen=True, slots=True)
class HostPort:
    """An address to listen on or to call. port 0, where listening: any free one."""

    host: str
    port: int

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def callable_host(self) -> str:
        """Where this machine calls what listens there: loopback if it listens everywhere."""
        return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self.host, self.host)  # noqa: S104

    @property
    def is_loopback(self) -> bool:
        """Tell whether only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host.rstrip(".").lower() == "localhost"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: the key, what was found there, and what to write instead."""

    key: str
    found: str
    remedy: str


def shown(value: object) -> str:
    """Return value as it may be printed: short, and without control characters."""
    text = ascii(value) if isinstance(value, str) and not value.isprintable() else repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS_MAX else text[:_SHOWN_CHARACTERS_MAX] + "…"


@dataclass
class Table:
    """One TOML table, taken key by key; what nobody took is an unknown key.

    A failed take() notes a problem and returns None in place of the value: whoever builds
    something of it throws that away when there are problems.
    """

    name: str
    values: dict[str, Any]
    problems: list[Problem]
    _known: list[str] = field(default_factory=list)

    def take(
        self,
        key: str,
        parse: Callable[[Any], T],
        default: "T | _Required" = REQUIRED,
        *,
        hidden: bool = False,
    ) -> T:
        """Return the value of key as parse reads it, or default if it is not there.

        hidden: what is there may be a secret, and is not shown in a problem.
        """
        self._known.append(key)
        if key not in self.values:
            if isinstance(default, _Required):
                self.note(key, "is missing", f"Add {self.key(key)} = …")
                return cast("T", None)
            return default
        try:
            return parse(self.values[key])
        except ValueError as error:
            found = "cannot be used" if hidden else f"is {shown(self.values[key])}"
            self.note(key, found, f"Write {error}.")
            return cast("T", None)

    def table(self, key: str) -> "Table | None":
        """Return the table below key, None if there is none."""
        self._known.append(key)
        found = self.values.get(key)
        if isinstance(found, dict):
            return Table(self.key(key), found, self.problems)
        if found is not None:
            self.note(key, f"is {shown(found)}", f"Write it as a table: [{key}].")
        return None

    def tables(self, key: str) -> "list[Table]":
        """Return the tables of an array of tables, named key[0], key[1] and so on."""
        self._known.append(key)
        found = self.values.get(key, [])
        if isinstance(found, list) and all(isinstance(item, dict) for item in found):
            name = self.key(key)
            return [Table(f"{name}[{i}]", item, self.problems) for i, item in enumerate(found)]
        self.note(key, f"is {shown(found)}", f"Write one [[{key}]] for each.")
        return []

    def end(self) -> None:
        """Note every key that nobody took, with the known one that is most like it."""
        for key in self.values:
            if key in self._known:
                continue
            if len(self.problems) >= _COMPARED_MAX:
                self.note(shown(key)[1:-1], "is not a known key", "Leave it out.")
                continue
            like = difflib.get_close_matches(key[:_SHOWN_CHARACTERS_MAX], self._known, n=1)
            remedy = f"Did you mean {like[0]}?" if like else f"Known: {', '.join(self._known)}."
            self.note(shown(key)[1:-1], "is not a known key", remedy)

    def note(self, key: str, found: str, remedy: str) -> None:
        """Remember one problem of this table."""
        self.problems.append(Problem(self.key(key), found, remedy))

    def key(self, key: str) -> str:
        """Return key with its table in front."""
        return f"{self.name}.{key}" if self.name else key


# Each of the following returns the value or raises ValueError(what to write).


def text(value: Any) -> str:
    """Read any text of printable characters."""
    if isinstance(value, str) and value and value.isprintable():
        return value
    raise ValueError("a text in quotes, without control characters")


def name(value: Any) -> str:
    """Read a name that is fit for a screen, a log, a certificate and an mDNS label."""
    if isinstance(value, str) and _NAME.fullmatch(value):
        return value
    raise ValueError('1 to 63 of a-z, A-Z, 0-9, ".", "_", "-", such as "offload-1"')


def flag(value: Any) -> bool:
    """Read true or false."""
    if isinstance(value, bool):
        return value
    raise ValueError("true or false, without quotes")


def whole(low: int, high: int) -> Callable[[Any], int]:
    """Read a whole number from low to high."""

    def parse(value: Any) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        raise ValueError(f"a whole number from {low} to {high}, without quotes")

    return parse


def seconds(high: float) -> Callable[[Any], float]:
    """Read a duration in seconds."""

    def parse(value: Any) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if is_number and 0 <= value <= high and not math.isnan(value):
            return float(value)
        raise ValueError(f"a number of seconds from 0 to {high:g}, without quotes")

    return parse


def choice(kind: type[E]) -> Callable[[Any], E]:
    """Read one of an enumeration's values."""
    read = word(tuple(member.value for member in kind))
    return lambda value: kind(read(value))


def word(allowed: tuple[str, ...]) -> Callable[[Any], str]:
    """Read one of the words allowed."""

    def parse(value: Any) -> str:
        if isinstance(value, str) and value in allowed:
            return value
        raise ValueError("one of " + ", ".join(f'"{each}"' for each in allowed))

    return parse


def many(parse_one: Callable[[Any], T], *, at_least: int = 0) -> Callable[[Any], tuple[T, ...]]:
    """Read a list."""

    def parse(value: Any) -> tuple[T, ...]:
        if not isinstance(value, list) or len(value) < at_least:
            raise ValueError("a list in [ ]" + (", not an empty one" if at_least else ""))
        try:
            return tuple(parse_one(item) for item in value)
        except ValueError as error:
            raise ValueError(f"a list in [ ], and in it each time {error}") from None

    return parse


def folder(value: Any) -> Path:
    """Read an absolute path."""
    if isinstance(value, str) and value.isprintable():
        path = Path(value)
        if path.is_absolute() and ".." not in path.parts:
            return path
    raise ValueError('an absolute path without "..", such as "/mnt/array/rolls"')


def fingerprint(value: Any) -> str:
    """Read a certificate's fingerprint; returned in lower case."""
    if isinstance(value, str) and _FINGERPRINT.fullmatch(value.lower()):
        return value.lower()
    raise ValueError('what `syncd peers` prints on that box: "sha256:" and 64 hexadecimal digits')


def address(value: Any) -> HostPort:
    """Read where something can be called: host:port or [v6]:port."""
    found = _host_port(value)
    if found is None or found.port == 0:
        raise ValueError('host:port or [IPv6]:port, port 1 to 65535, such as "10.20.0.2:8840"')
    return found


def network(value: Any) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    """Read a network by address and length, a small one: a cable has two ends."""
    try:
        found = ipaddress.ip_network(text(value))
    except ValueError:
        raise ValueError(_NETWORK) from None
    if found.num_addresses > 1 << (64 if found.version == 6 else 8):
        raise ValueError(_NETWORK)
    return found


def web_address(*, allow_http: bool) -> Callable[[Any], str]:
    """Read a URL to which something is sent: https, or http to this machine or where allowed."""

    def parse(value: Any) -> str:
        url = value if isinstance(value, str) and _URL.fullmatch(value) else ""
        try:
            found = urlsplit(url)
            port = found.port or 0
        except ValueError:
            found, port = urlsplit(""), 0
        name = found.hostname or ""
        is_there = bool(name) and "@" not in found.netloc and not found.fragment
        if not is_there or found.scheme not in {"http", "https"} or port < 0:
            raise ValueError('a URL without a user and "#", such as "https://hooks.example/syncd"')
        if found.scheme == "http" and not (allow_http or HostPort(name, 0).is_loopback):
            raise ValueError(
                'https://…; or "allow_http = true" beside it, if anybody on the way may read it'
            )
        return url

    return parse


def secret(value: Any) -> str:
    """Read a webhook's secret."""
    try:
        key_of(text(value))
    except ValueError as error:
        raise ValueError(f'"whsec_" and 24 to 64 bytes in base64 ({error})') from None
    return str(value)


def host(value: Any) -> str:
    """Read a host's name or address, without a port; returned in lower case."""
    is_name = isinstance(value, str) and bool(_HOST_NAME.fullmatch(value) or _is_ipv6(value))
    if not is_name:
        raise ValueError('a name or address without a port, such as "process-1.example"')
    return str(value).lower().removesuffix(".")


def listening(value: Any) -> HostPort:
    """Read where to listen; port 0 takes any free one."""
    found = _host_port(value)
    if found is None:
        raise ValueError('host:port or [IPv6]:port, port 1 to 65535, such as "0.0.0.0:8840"')
    return found


def size_bytes(value: Any) -> int:
    """Read a size: "200 GB" (decimal), "200 GiB" (binary), or a whole number of bytes."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1 << 62:
        return value
    found = _SIZE.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None or (found[3] and not found[2]):
        raise ValueError('a size such as "200 GB" or "1.5 TiB", or a number of bytes')
    base = 1024 if found[3] else 1000
    result = int(Decimal(found[1]) * base ** _UNITS[found[2].lower()])
    if result >= 1 << 62:
        raise ValueError("a size that a disk can have")
    return result


def time_of_day(value: Any) -> time:
    """Read a local time of day."""
    if isinstance(value, time) and value.tzinfo is None:
        return value
    found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        raise ValueError('a local time of day such as "19:00"')
    return time(int(found[1]), int(found[2]))


def repeated(values: Iterable[T]) -> list[T]:
    """Return what occurs more than once, each once, in order."""
    seen: dict[T, int] = {}
    for value in values:
        seen[value] = seen.get(value, 0) + 1
    return [value for value, count in seen.items() if count > 1]


def _host_port(value: Any) -> HostPort | None:
    if not isinstance(value, str):
        return None
    host, colon, port = value.rpartition(":")
    if not colon or not (port.isascii() and port.isdigit() and len(port) <= 5):
        return None
    if int(port) > _PORT_MAX:
        return None
    if host.startswith("[") and host.endswith("]"):
        return HostPort(host[1:-1], int(port)) if _is_ipv6(host[1:-1]) else None
    return HostPort(host, int(port)) if _HOST_NAME.fullmatch(host) else None


def _is_ipv6(host: str) -> bool:
    try:
        ipaddress.IPv6Address(host)
    except ValueError:
        return False
    return host.isprintable()
