"""Pairing as a node does it: showing a code, or finding the box that shows the one that was typed.

Owns: the one code that is shown, what becomes of it, and which box a typed code is meant for.
Must not: know HTTP or sockets; exchanges are in wire/.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from syncd.config.values import address as read_address
from syncd.errors import NotPossibleError, SyncdError, UsageError
from syncd.moments import rfc3339
from syncd.ports import Ports
from syncd.trusting import Trusting
from syncd.wire.pairing import PairingError, Party, WrongCodeError, broken_after_proof
from syncd.wire.pairing_code import Window, WindowState, make_code, read_code, shown_code
from syncd.wire.pairing_server import PairingTalks
from syncd.wire.peers import Address, Announced, PeerBook, TrustedPeer, address_text
from syncd.wire.typed_codes import TypedCodes
from syncd.wire.typed_times import TypedTimes

log = logging.getLogger(__name__)

LOOK_FOR_S = 6.0  # an announcement is heard within a second where multicast passes
LOOK_EVERY_S = 0.25
SETTLE_S = 1.0  # who else shows a code says so within this
JOIN_S = 15.0
LOOK_AT_CODE_S = 0.5
UNSHOWN_S = 5.0  # a command asks again at once, unless it was killed or stands still
CONTROL_PORT_DEFAULT = 8840

Plain = dict[str, Any]
Ready = Callable[[Party, Address], Awaitable[None]]
Dial = Callable[[Sequence[Address], str, Ready], Awaitable[tuple[Party, Address]]]


class Pairing:
    """Runs until cancelled; the board asks it.

    dial: types a code to the first of some addresses that answers; tells who does before it proves
    anything to that box.
    announce: says on the network whether a code is shown; None where nobody is looked for.
    """

    def __init__(
        self,
        book: PeerBook,
        trusting: Trusting,
        ports: Ports,
        *,
        own: Callable[[], Party],
        dial: Dial,
        tried: TypedTimes,
    ) -> None:
        self.talks = PairingTalks(own, ports.clock, ports.chance.random_bytes, self._met)
        self.announce: Callable[[bool], None] | None = None
        self._book = book
        self._trusting = trusting
        self._clock = ports.clock
        self._chance = ports.chance
        self._disk = ports.disk
        self._dial = dial
        self._tried = tried
        self._typed: TypedCodes | None = None
        self._number = 0
        self._result: Plain = {}
        self._asking = 0
        self._asked_s = 0.0
        self._joining = asyncio.Lock()
        self._is_announced = False

    async def run(self) -> None:
        """Notice when a code is good no longer, until cancelled."""
        try:
            while True:
                await self._clock.sleep(LOOK_AT_CODE_S)
                self._withdraw_unshown()
                self._say_whether_open()
        finally:
            await self.talks.close()

    def _say_whether_open(self) -> None:
        if self._is_announced != self.talks.is_open and self.announce is not None:
            self.announce(self.talks.is_open)
        self._is_announced = self.talks.is_open

    # Showing a code

    def _withdraw_unshown(self) -> None:
        """End a code that nobody looks at: the command that showed it was killed, perhaps."""
        window = self.talks.window
        if window is None or not self.talks.is_open or self._asking:
            return
        if self._clock.monotonic_s() - self._asked_s > UNSHOWN_S:
            log.info("Whoever showed the pairing code is gone; it is not good any more")
            window.close()

    def open(self) -> Plain:
        """Show a new code, in place of one that is shown; only the answer has it.

        It is good only as long as somebody waits for what becomes of it: see wait().
        """
        if self.talks.window is not None:
            self.talks.window.close()
        code, now_s = make_code(self._chance.random_bytes), self._clock.monotonic_s()
        window = Window(code, now_s)
        self.talks.show(window)
        self._asked_s = now_s
        self._number += 1
        self._result = {}
        self._say_whether_open()
        ends_utc_ms = self._clock.utc_ms() + round(window.left_s(now_s) * 1000)
        return self.state(self._number) | {
            "code": shown_code(code),
            "expires_at": rfc3339(ends_utc_ms),
        }

    def state(self, number: int) -> Plain:
        """Return what has become of a code that was shown."""
        window = self.talks.window if number == self._number else None
        state = WindowState.CLOSED
        if window is not None:
            state = window.state(self._clock.monotonic_s())
        if state is WindowState.PAIRED and not self._result:
            state = WindowState.OPEN  # the right code was typed; it is being kept
        result = self._result if window is not None else {}
        wrong = self.talks.wrong if window is not None else None
        most = self.talks.askers.most() if window is not None else None
        return {
            "id": number,
            "state": "failed" if "problem" in result else state.value,
            "tries_left": window.tries_left if window is not None else 0,
            "wrong": None if wrong is None else _plain(wrong[0]) | {"address": wrong[1]},
            "askers": None if most is None else {"address": most[0], "count": most[1]},
            "peer": result.get("peer"),
            "problem": result.get("problem", ""),
            "remedy": result.get("remedy", ""),
        }

    async def wait(self, number: int, timeout_s: float) -> Plain:
        """Return what has become of a code, once that has changed, or after timeout_s.

        Whoever shows it asks again before UNSHOWN_S are over, or it is good no longer.
        """
        if number != self._number:
            return self.state(number)
        self._asking += 1
        try:
            return await self._changed(number, timeout_s)
        finally:
            self._asking -= 1
            self._asked_s = self._clock.monotonic_s()

    async def _changed(self, number: int, timeout_s: float) -> Plain:
        ends_s = self._clock.monotonic_s() + timeout_s
        first = self.state(number)
        while True:
            found = self.state(number)
            left_s = ends_s - self._clock.monotonic_s()
            # Of those that only ask there may be very many: they are told when the time is over.
            is_changed = found | {"askers": None} != first | {"askers": None}
            if found["state"] != WindowState.OPEN.value or is_changed or left_s <= 0:
                return found
            await self._clock.sleep(min(left_s, LOOK_EVERY_S))

    def close(self, number: int) -> Plain:
        """Show a code no longer."""
        if self.talks.window is not None and number == self._number:
            self.talks.window.close()
        return self.state(number)

    async def _met(self, party: Party, address: Address) -> None:
        """Trust a box that has typed the code. Raises SyncdError."""
        try:
            await self._trusting.trust(self._peer(party, address))
        except SyncdError as error:
            self._result = {"problem": error.problem, "remedy": error.remedy}
            raise
        self._result = {"peer": _plain(party)}

    # Typing a code

    async def join(self, text: str, with_: str) -> Plain:
        """Type a code to the box that shows it; return that box.

        with_: its name or address; "": the only one that says that it shows a code.
        Raises UsageError, NotPossibleError, PeerUnreachableError or PairingError.
        """
        code = read_code(text)
        if self._joining.locked():
            raise NotPossibleError("A code is being tried already.", remedy="Wait for its end.")
        async with self._joining:
            typed = self._typed or await self._load_tries()
            typed.check(code, self._clock.monotonic_s())
            addresses = _typed_address(with_) or (await self._find(with_)).addresses
            return await self._type(addresses, code, typed)

    async def _load_tries(self) -> TypedCodes:
        left_s = await self._disk.aside(self._tried.load, self._clock.utc_ms())
        now_s = self._clock.monotonic_s()
        self._typed = TypedCodes(self._chance.random_bytes, [now_s + each_s for each_s in left_s])
        return self._typed

    async def _type(self, addresses: Sequence[Address], code: str, typed: TypedCodes) -> Plain:
        peer: TrustedPeer | None = None

        async def ready(party: Party, address: Address) -> None:
            nonlocal peer
            asked = self._peer(party, address)
            await self._trusting.prepare(asked)
            typed.check(code, self._clock.monotonic_s())
            await self._disk.aside(self._tried.add, self._clock.utc_ms())
            typed.use(code, self._clock.monotonic_s())
            peer = asked

        try:
            async with asyncio.timeout(JOIN_S):
                party, _ = await self._dial(addresses, code, ready)
        except WrongCodeError as error:
            left = typed.tries_left(code, self._clock.monotonic_s())
            raise _not_paired(WrongCodeError(left), peer) from error
        except (SyncdError, TimeoutError) as error:
            raise _not_paired(error, peer) from error
        else:
            assert peer is not None, "whoever proved itself was announced by ready() before"
            await self._trusting.trust(peer, trusts_us=True)
            await self._take_back_try()
        finally:
            await self._trusting.unprepare()
        return _plain(party)

    async def _take_back_try(self) -> None:
        try:
            await self._disk.aside(self._tried.take_back)
        except SyncdError as error:
            log.warning("A try counts that was a good one: %s", error.problem)

    async def _find(self, name: str) -> Announced:
        """Return the one box that is meant. Raises UsageError, NotPossibleError."""
        ends_s = self._clock.monotonic_s() + (LOOK_FOR_S if self.announce is not None else 0.0)
        while not (found := self._candidates(name)):
            if self._clock.monotonic_s() >= ends_s:
                raise _nobody(name)
            await self._clock.sleep(LOOK_EVERY_S)
        await self._clock.sleep(SETTLE_S)
        found = self._candidates(name) or found
        if len(found) > 1:
            names = ", ".join(f"{each.name} ({each.fingerprint[:13]}…)" for each in found)
            raise UsageError(
                f"Several boxes show a pairing code: {names}.",
                remedy="Say which one is meant: syncd pair CODE --with NAME, or its address.",
            )
        return found[0]

    def _candidates(self, name: str) -> list[Announced]:
        announced = [each for each in self._book.announced() if each.addresses]
        if name:
            return [each for each in announced if each.name == name]
        return [each for each in announced if each.is_pairing]

    def _peer(self, party: Party, address: Address) -> TrustedPeer:
        return TrustedPeer(
            party.name,
            party.fingerprint,
            address,
            roles=frozenset(party.roles),
            paired_at_utc_ms=self._clock.utc_ms(),
        )


def _plain(party: Party) -> Plain:
    return {
        "name": party.name,
        "fingerprint": party.fingerprint,
        "roles": sorted(party.roles),
    }


def _not_paired(error: SyncdError | TimeoutError, guessing: TrustedPeer | None) -> SyncdError:
    """Return what to say. guessing: who has had a guess at the code by it; that is logged."""
    if guessing is None:
        if isinstance(error, SyncdError):
            return error
        return PairingError("The other box takes too long.", remedy="Try again.")
    where = address_text(guessing.address) if guessing.address else ""
    if isinstance(error, TimeoutError):
        error = broken_after_proof(where, guessing.name)
    log.warning(
        "A code was typed here, and %s, which calls itself %s (%s), has not proved to know it: %s",
        where,
        guessing.name,
        guessing.fingerprint,
        error,
    )
    return error


def _typed_address(text: str) -> tuple[Address, ...]:
    """Return the address that text is: a host with a dot or a colon, with or without a port."""
    if not {".", ":"} & set(text):
        return ()
    for candidate in (text, f"{text}:{CONTROL_PORT_DEFAULT}", f"[{text}]:{CONTROL_PORT_DEFAULT}"):
        try:
            found = read_address(candidate)
        except ValueError:
            continue
        return ((found.host, found.port),)
    raise UsageError(
        f"{text[:100]!r} is no address.", remedy='Write it as host or host:port: "10.20.0.2:8840".'
    )


def _nobody(name: str) -> NotPossibleError:
    who = f"{name}, announced on the network," if name else "A box that shows a pairing code"
    return NotPossibleError(
        f"{who} was not found.",
        remedy="Run `syncd pair` on the other box. Where multicast does not pass, or its "
        "node.control is bound to loopback, say where that box is: syncd pair CODE --with ADDRESS",
    )
