"""Whom this box trusts: what the config pins and what was paired, and how that changes.

Owns: that store, book and running parts agree. A new peer is durable before it is trusted; one that
is forgotten is cut before the store is asked to forget it, so that a full disk keeps nobody in: the
store is asked again until it has forgotten, too.
Must not: decide to trust anybody: a person does, by pairing or in the config.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence

from syncd.config.shapes import Config, PeerConfig
from syncd.errors import ConfigError, NotPossibleError, SyncdError, UsageError
from syncd.ports import Ports
from syncd.repeats import Repeats
from syncd.wire.fingerprints import PREFIX
from syncd.wire.peers import PeerBook, TrustedPeer
from syncd.wire.trust_store import TrustStore

log = logging.getLogger(__name__)

KEEP_EVERY_S = 5.0  # how soon after room was made what was forgotten is kept
FINGERPRINT_START_MIN = 6  # hexadecimal digits: the device id that is shown beside a name


def pinned(config: Config) -> tuple[TrustedPeer, ...]:
    """Return the peers that the config pins."""
    return tuple(_pinned(peer) for peer in config.peers)


def all_trusted(config: Config, paired: Sequence[TrustedPeer]) -> tuple[TrustedPeer, ...]:
    """Return the pinned and the paired peers; a box that is both is as the config says.

    Raises ConfigError if two boxes have one name.
    """
    pins = pinned(config)
    known = {peer.fingerprint for peer in pins}
    others = [peer for peer in paired if peer.fingerprint not in known]
    for peer in others:
        if peer.name in {pin.name for pin in pins}:
            raise ConfigError(
                f'[[peer]] "{peer.name}" and the box that was paired under this name have '
                "different certificates.",
                remedy=f"Say which one it is: run `syncd peers forget {peer.name}`, or take the "
                "[[peer]] out of the configuration.",
            )
    return (*pins, *others)


def find(text: str, pins: Sequence[TrustedPeer], paired: Sequence[TrustedPeer]) -> TrustedPeer:
    """Return the paired peer that text names: its name, fingerprint, or the start of that.

    Raises NotPossibleError if it is pinned or there is none, UsageError if it may be several.
    """
    by_hand = {peer.fingerprint for peer in pins}
    found = [peer for peer in paired if peer.fingerprint not in by_hand and _is_called(peer, text)]
    if len(found) > 1:
        names = ", ".join(peer.name for peer in found)
        raise UsageError(f"{text!r} may be any of {names}.", remedy="Say its name.")
    if found:
        return found[0]
    if any(_is_called(peer, text) for peer in pins):
        raise NotPossibleError(
            f"{text} is pinned in the configuration, which no command changes.",
            remedy="Take its [[peer]] out of the file, then start the daemon anew.",
        )
    raise NotPossibleError(
        f"No paired box is called {text!r}.", remedy="See which there are: syncd peers"
    )


class NotKeptError(SyncdError):
    """The list of paired boxes could not be written; exit_code is that of the cause."""

    def __init__(self, problem: str, cause: SyncdError, *, remedy: str) -> None:
        super().__init__(f"{problem} {cause.problem}", remedy=remedy)
        self.exit_code = cause.exit_code


class Trusting:
    """The one place where a running node begins or ceases to trust a box.

    took_up: called once a peer is trusted. let_go: called when it is trusted no longer.
    """

    def __init__(
        self,
        store: TrustStore,
        book: PeerBook,
        ports: Ports,
        pins: Sequence[TrustedPeer],
        *,
        own_name: str,
        took_up: Callable[[TrustedPeer], None],
        let_go: Callable[[TrustedPeer], None],
    ) -> None:
        self._store = store
        self._book = book
        self._disk = ports.disk
        self._clock = ports.clock
        self._repeats = Repeats(log, ports.clock)
        self._why: NotKeptError | None = None
        self._pins = tuple(pins)
        self._own_name = own_name
        self._took_up = took_up
        self._let_go = let_go
        self._lock = asyncio.Lock()

    async def run(self) -> None:
        """Try again to keep what was forgotten, until cancelled."""
        while True:
            await self._clock.sleep(KEEP_EVERY_S)
            if self._store.unkept:
                await self._keep_again()

    async def _keep_again(self) -> None:
        async with self._lock:
            names = ", ".join(peer.name for peer in self._store.unkept)
            if not names:
                return  # it was kept while we waited
            try:
                await self._disk.aside(self._store.keep)
            except SyncdError as error:
                self._why = _not_kept(names, error)
                self._repeats.trouble("keep", str(self._why))
                return
            log.info("It is kept on disk that these are not paired any more: %s", names)
            self._repeats.well("keep", "The list of paired boxes can be written again")

    def problem(self) -> tuple[str, str]:
        """Return what is not kept on disk, and what to do; two empty texts if all is."""
        if self._why is None or not self._store.unkept:
            return "", ""
        return self._why.problem, self._why.remedy

    def why_not(self, name: str, fingerprint: str) -> SyncdError | None:
        """Return why a box of this name and certificate cannot be trusted, None if it can."""
        if name == self._own_name or fingerprint == self._book.own_fingerprint:
            return NotPossibleError(
                f"Both boxes are called {name}.",
                remedy="Give one of them another node.name, and pair again.",
            )
        for known in self._book.all_trusted():
            if known.name == name and known.fingerprint != fingerprint:
                how = "Take its [[peer]] out of the configuration"
                if not known.is_pinned:
                    how = f"If that box was set up anew, run `syncd peers forget {name}`"
                return NotPossibleError(
                    f"Another box called {name} is trusted already.", remedy=f"{how}; then pair."
                )
        return None

    async def trust(self, peer: TrustedPeer, *, trusts_us: bool = False) -> None:
        """Trust a box from now on, as a person has decided. Raises SyncdError.

        trusts_us: whether that box trusts this one already, as is told if this one cannot keep it.
        """
        async with self._lock:
            refusal = self.why_not(peer.name, peer.fingerprint)
            if refusal is not None:
                raise refusal
            if any(pin.fingerprint == peer.fingerprint for pin in self._pins):
                return  # the config has it, and says how
            try:
                await self._disk.aside(self._store.add, peer)
            except ConfigError as error:
                raise self._not_paired(peer, error, trusts_us=trusts_us) from error
            before = self._book.trusted_by_fingerprint(peer.fingerprint)
            if before is not None and (before.name, before.roles) != (peer.name, peer.roles):
                self._book.forget(peer.fingerprint)  # what it has open was begun as another one
                self._let_go(before)
            self._book.trust(peer)
            self._took_up(peer)
            log.info("%s is paired with this box: %s", peer.name, peer.fingerprint)

    async def prepare(self, peer: TrustedPeer) -> None:
        """Make as sure as can be that trust() will be able to keep this very peer.

        Raises SyncdError: then it cannot be trusted, and nothing has been changed.
        """
        async with self._lock:
            refusal = self.why_not(peer.name, peer.fingerprint)
            if refusal is not None:
                raise refusal
            if any(pin.fingerprint == peer.fingerprint for pin in self._pins):
                return
            try:
                await self._disk.aside(self._store.prepare, peer)
            except ConfigError as error:
                raise NotKeptError(
                    f"This box could not keep {peer.name}, and has proved nothing to it:",
                    error,
                    remedy=f"{error.remedy} Then type the code again; it has lost no try.",
                ) from error

    async def unprepare(self) -> None:
        """Take it that nobody who was prepared will be trusted."""
        async with self._lock:
            await self._disk.aside(self._store.unprepare)

    async def forget(self, text: str) -> TrustedPeer:
        """Trust a box no longer, cut all there is with it, and return who it was.

        Raises UsageError, NotPossibleError, or NotKeptError if the store cannot be written: then
        it is cut, run() tries again, and a start before that would trust it again.
        """
        async with self._lock:
            peer = find(text, self._pins, (*self._store.peers, *self._store.unkept))
            self._book.forget(peer.fingerprint)
            self._let_go(peer)
            log.info("%s is not paired with this box any more: %s", peer.name, peer.fingerprint)
            try:
                await self._disk.aside(self._store.remove, peer.fingerprint)
            except SyncdError as error:
                self._why = _not_kept(peer.name, error)
                raise self._why from error
            return peer

    def _not_paired(self, peer: TrustedPeer, error: SyncdError, *, trusts_us: bool) -> NotKeptError:
        remedy = f"{error.remedy} Then pair again."
        if trusts_us:
            remedy += (
                f" {peer.name} trusts this box already: if it is not to, run `syncd peers forget "
                f"{self._own_name}` there."
            )
        problem = f"{peer.name} is not paired with this box, which cannot keep it:"
        return NotKeptError(problem, error, remedy=remedy)


def _not_kept(names: str, cause: SyncdError) -> NotKeptError:
    return NotKeptError(
        f"{names}: cut now; trusted again after a start of syncd until this can be kept:",
        cause,
        remedy=f"{cause.remedy} It is tried again by itself every {KEEP_EVERY_S:.0f} s; do not "
        "start syncd anew before that.",
    )


def _pinned(peer: PeerConfig) -> TrustedPeer:
    address = None if peer.address is None else (peer.address.host, peer.address.port)
    roles = frozenset(role.value for role in peer.roles)
    return TrustedPeer(peer.name, peer.fingerprint, address, roles=roles, is_pinned=True)


def _is_called(peer: TrustedPeer, text: str) -> bool:
    start = text.strip().lower().removeprefix(PREFIX)
    digits = peer.fingerprint.removeprefix(PREFIX)
    by_digits = len(start) >= FINGERPRINT_START_MIN and digits.startswith(start)
    return peer.name == text or by_digits
