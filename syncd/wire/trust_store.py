"""Who was paired: <state>/trusted.json, which survives the loss of the journal.

Owns: the form of the file, reading what may be damaged, and that a change is durable on return.
Must not: decide whom to trust, or know the peers that the config pins.
"""

import json
import logging
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from syncd.edges.private_file import (
    NoFileError,
    drop_prepared,
    keep_aside,
    prepare_private,
    put_prepared,
    read_private,
    replace_private,
)
from syncd.errors import (
    STATE_DISK_REMEDY,
    ConfigError,
    StateDiskError,
    SyncdError,
    raise_if_disk_trouble,
)
from syncd.moments import rfc3339, within_calendar
from syncd.wire.announcement import ROLES
from syncd.wire.fingerprints import parse_fingerprint
from syncd.wire.peers import TrustedPeer

log = logging.getLogger(__name__)

FILE_NAME = "trusted.json"
FILE_BYTES_MAX = 256 * 1024
VERSION = 1
PAIRED_MAX = 64
NAME_LENGTH_MAX = 63
_PORT_MAX = 65535
_MAKE_ROOM = "Make room on the disk of the state folder, and see that the disk is well."
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOT_OURS = (ValueError, KeyError, TypeError, AttributeError)


class DamagedStoreError(ConfigError):
    """The file is not as syncd writes it."""

    def __init__(self, reason: str, path: Path | None = None) -> None:
        where = f"{path} is" if path else "The list of paired boxes is"
        super().__init__(
            f"{where} not as syncd wrote it: {reason}.",
            remedy="`syncd run` keeps it aside when it starts; then pair the boxes anew.",
        )


class TrustStore:
    """The paired peers of one box. One process changes them: the holder of the state lock."""

    def __init__(self, state: Path, peers: Iterable[TrustedPeer] = ()) -> None:
        self._path = state / FILE_NAME
        self._peers = {peer.fingerprint: peer for peer in peers}
        self._unkept: dict[str, TrustedPeer] = {}

    @classmethod
    def load(cls, state: Path, now_utc_ms: int) -> "TrustStore":
        """Read the file, and keep a damaged one aside: then nobody is paired.

        Raises ConfigError if it may not be read or is of a newer version.
        """
        try:
            peers = read(state)
        except DamagedStoreError as damage:
            moment = datetime.fromtimestamp(now_utc_ms / 1000, UTC)
            try:
                kept = keep_aside(state / FILE_NAME, f"broken-{moment:%Y%m%dT%H%M%SZ}")
            except OSError as error:
                raise _cannot(state, "kept aside", error) from error
            log.warning("%s It is kept as %s; nobody is paired.", damage.problem, kept.name)
            peers = ()
        return cls(state, peers)

    @property
    def peers(self) -> tuple[TrustedPeer, ...]:
        """The paired peers, in the order in which they were paired."""
        return tuple(self._peers.values())

    @property
    def unkept(self) -> tuple[TrustedPeer, ...]:
        """Who was removed, and may still be in the file: it could not be written since."""
        return tuple(self._unkept.values())

    def add(self, peer: TrustedPeer) -> None:
        """Keep a peer; durable on return. Raises SyncdError, and then it is not kept."""
        self._write(self._with(peer))

    def prepare(self, peer: TrustedPeer) -> None:
        """Take the room that add() will need for this very peer. Raises SyncdError."""
        try:
            prepare_private(self._path, _content(self._with(peer)))
        except OSError as error:
            raise _cannot(self._path.parent, "written", error) from error

    def unprepare(self) -> None:
        """Give back what prepare() took, if add() has not used it."""
        with suppress(OSError):  # it is taken again, or written over, by the next one
            drop_prepared(self._path)

    def _with(self, peer: TrustedPeer) -> dict[str, TrustedPeer]:
        if len(self._peers) >= PAIRED_MAX and peer.fingerprint not in self._peers:
            raise SyncdError(
                f"{PAIRED_MAX} peers are paired with this box already.",
                remedy="Forget those that are gone: syncd peers forget NAME",
            )
        return self._peers | {peer.fingerprint: peer}

    def remove(self, fingerprint: str) -> None:
        """Keep a peer no longer; durable on return.

        Raises SyncdError: then it is none of the peers, and in unkept until a write succeeds.
        """
        peer = self._peers.pop(fingerprint, None)
        if peer is not None:
            self._unkept[fingerprint] = peer
        self.keep()

    def keep(self) -> None:
        """Write the peers as they are now; durable on return. Raises SyncdError."""
        self._write(dict(self._peers))

    def _write(self, peers: dict[str, TrustedPeer]) -> None:
        data = _content(peers)
        try:
            if not put_prepared(self._path, data):
                replace_private(self._path, data)
        except OSError as error:
            raise _cannot(self._path.parent, "written", error) from error
        self._peers = peers
        self._unkept.clear()


def read(state: Path) -> tuple[TrustedPeer, ...]:
    """Return who is paired, changing nothing. Raises ConfigError, also if it is damaged."""
    try:
        data = read_private(state / FILE_NAME, bytes_max=FILE_BYTES_MAX)
    except OSError as error:
        raise _cannot(state, "read", error) from error
    return () if data is None else _parse(data, state / FILE_NAME)


def broken_ones(state: Path) -> tuple[Path, ...]:
    """Return the damaged files that were kept aside, oldest first."""
    return tuple(sorted(state.glob(f"{FILE_NAME}.broken-*")))


def _parse(data: bytes, path: Path) -> tuple[TrustedPeer, ...]:
    if len(data) > FILE_BYTES_MAX:
        raise DamagedStoreError("it is too long", path)
    try:
        plain = json.loads(data)
        version = plain["version"]
        if type(version) is int and version > VERSION:
            raise ConfigError(
                f"{path} was written by a newer syncd (version {version} of the file).",
                remedy="Run that version, or move the file away and pair the boxes anew.",
            )
        peers = tuple(_from_plain(each) for each in plain["peers"])
    except (*_NOT_OURS, OverflowError, RecursionError) as error:
        reason = str(error) or type(error).__name__
        raise DamagedStoreError(reason[:200], path) from error
    if type(version) is not int or version != VERSION or len(peers) > PAIRED_MAX:
        raise DamagedStoreError("its version or length cannot be", path)
    for kind in ("name", "fingerprint"):
        if len({getattr(peer, kind) for peer in peers}) != len(peers):
            raise DamagedStoreError(f"a {kind} is in it twice", path)
    return peers


def _content(peers: dict[str, TrustedPeer]) -> bytes:
    plain = {"version": VERSION, "peers": [_to_plain(peer) for peer in peers.values()]}
    return json.dumps(plain, indent=2).encode() + b"\n"


def _to_plain(peer: TrustedPeer) -> dict[str, Any]:
    return {
        "name": peer.name,
        "fingerprint": peer.fingerprint,
        "roles": sorted(peer.roles),
        "address": None if peer.address is None else list(peer.address),
        "paired_at": rfc3339(peer.paired_at_utc_ms or 0),
    }


def _from_plain(plain: dict[str, Any]) -> TrustedPeer:
    name, roles, address = plain["name"], plain["roles"], plain["address"]
    if not isinstance(name, str) or not 0 < len(name) <= NAME_LENGTH_MAX or not name.isprintable():
        raise ValueError("a name is none")
    if not isinstance(roles, list) or not roles or not set(roles) <= set(ROLES):
        raise ValueError("roles are none")
    moment = datetime.fromisoformat(plain["paired_at"]).astimezone(UTC)
    if moment < _EPOCH:
        raise ValueError("a time is none")
    return TrustedPeer(
        name,
        parse_fingerprint(plain["fingerprint"]),
        None if address is None else _address(address),
        roles=frozenset(roles),
        paired_at_utc_ms=within_calendar((moment - _EPOCH) // timedelta(milliseconds=1)),
    )


def _address(plain: Any) -> tuple[str, int]:
    host, port = plain
    if not isinstance(host, str) or not host.isprintable() or type(port) is not int:
        raise ValueError("an address is none")
    if not 0 < len(host) <= 255 or not 0 < port <= _PORT_MAX:
        raise ValueError("an address is none")
    return host, port


def _cannot(state: Path, what: str, error: OSError) -> SyncdError:
    path = state / FILE_NAME
    try:
        raise_if_disk_trouble(state, error)
    except StateDiskError as trouble:
        return trouble if what != "written" else StateDiskError(trouble.problem, remedy=_MAKE_ROOM)
    if isinstance(error, NoFileError):
        return ConfigError(
            f"{error.filename} is {error.strerror}, and no list of paired boxes.",
            remedy="Put the file itself in its place. If there is none, remove what lies at "
            f"{error.filename}, start syncd, and pair the boxes anew.",
        )
    if isinstance(error, IsADirectoryError):
        remedy = f"Move the folder away: {error.filename2 or error.filename or path}"
    elif isinstance(error, PermissionError):
        remedy = f"Give it to the user that runs syncd, and to nobody else: chmod 600 {path}"
    else:
        remedy = _MAKE_ROOM if what == "written" else STATE_DISK_REMEDY
    return ConfigError(f"{path} cannot be {what}: {error.strerror}.", remedy=remedy)
