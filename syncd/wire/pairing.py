"""Pairing as both ends speak it: a short code, typed once, becomes trust in two certificates.

Owns: SPAKE2 over the code, the proof that binds it to both certificates, and the order of what is
said. Must not: do I/O, read a clock (times are passed in) or decide what becomes of a peer that has
proved itself.

The side where the code is typed dials, inside an ordinary TLS handshake of two self-made
certificates that proves nothing yet:

    types the code                               shows the code
    Introduction(X, name, roles, port)    ->
                                          <-     Introduction(Y, name, roles, port)
    Proof(HMAC(key_a, transcript))        ->     wrong: one try less
                                          <-     Proof(HMAC(key_b, transcript)), or Turned

X and Y are the messages of SPAKE2 (Abdalla and Pointcheval, 2005; the library's group is that of
Ed25519). Who listens learns nothing to test codes with; who takes part tests one code for each
exchange. The transcript holds both certificates as each end sees them in its own TLS connection:
whoever sits between two connections of its own can pass every byte on and still makes both proofs
wrong. The typing side proves first, and the other answers with its proof only to a right one.

X and Y tell nothing of the code; Proof(key_a) is what a guess can be compared with. So whoever is
dialled has one guess as soon as that was sent, whatever it answers then; what a box says that has
not looked at the code (Turned(BUSY)) is taken only before.
"""

import hmac
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from spake2 import SPAKE2_A, SPAKE2_B, SPAKEError
from spake2.ed25519_basic import NotOnCurve

from syncd.config.values import name as checked_name
from syncd.errors import SyncdError
from syncd.wire.fields import BadMessage
from syncd.wire.fingerprints import fingerprint_bytes
from syncd.wire.pairing_code import Turn, Window
from syncd.wire.pairing_frames import Frames, Introduction, Proof, Turned, frame

ALPN = "syncd-pair/1"  # RFC 7301: what the connection is for, said in the handshake
_LABEL = b"syncd pairing 1"
_TYPES, _SHOWS = _LABEL + b": types the code", _LABEL + b": shows the code"
# What may end an exchange before, and after, the typing side has sent its proof.
_NOT_PROVED = frozenset({Turn.CLOSED, Turn.BUSY})
_PROVED = frozenset(Turn) - {Turn.BUSY}
_USED_UP = (
    "The code is used up: run `syncd pair` there for a new one. If `syncd pair` there has said "
    "nothing of this, somebody may sit between the two boxes."
)


@dataclass(frozen=True, slots=True)
class Party:
    """One end: what it says of itself, and its certificate's fingerprint as it was seen."""

    name: str
    fingerprint: str
    roles: tuple[str, ...]
    control_port: int


class PairingError(SyncdError):
    """The two boxes are not paired; nothing was changed on this one."""

    http_status = 409


class BusyError(PairingError):
    """The other box was asked too soon after somebody else: worth asking again in a moment.

    It was told nothing to compare a guess with.
    """


class WrongCodeError(PairingError):
    """The code is wrong, or somebody sits in between: the two cannot be told apart from here.

    tries_left: how often this box would still try it. What the other side says of that is worth
    nothing, as it may be the one in between.
    """

    def __init__(self, tries_left: int = 1) -> None:
        times = "once more" if tries_left == 1 else f"{tries_left} more times"
        remedy = (
            "Compare it with what the other box shows, if it is still shown there, and type it "
            f"again: this box tries it {times}."
        )
        if not tries_left:
            remedy = (
                "Run `syncd pair` there again, for a new code. If that one is wrong, too, join the "
                "two boxes by one cable."
            )
        super().__init__(
            "The code is wrong, or somebody sits between the two boxes.", remedy=remedy
        )


# The keys


def confirmation_keys(shared: bytes) -> tuple[bytes, bytes]:
    """Return the keys of the typing and of the showing side's proof; HKDF-SHA256, RFC 5869."""
    made = HKDF(SHA256(), length=64, salt=_LABEL, info=b"confirmation").derive(shared)
    return made[:32], made[32:]


def transcript(typing: Party, showing: Party, pake_a: bytes, pake_b: bytes) -> bytes:
    """Return all that both must agree on, each field with its length before it."""

    def parts() -> Iterator[bytes]:
        yield _LABEL
        yield from (pake_a, pake_b)
        for party in (typing, showing):
            yield fingerprint_bytes(party.fingerprint)
            yield party.name.encode()
            yield ",".join(party.roles).encode()
            yield party.control_port.to_bytes(2, "big")

    return b"".join(len(part).to_bytes(2, "big") + part for part in parts())


def _mac(key: bytes, label: bytes, agreed: bytes) -> bytes:
    return hmac.new(key, label + agreed, sha256).digest()


def _shared(pake: SPAKE2_A | SPAKE2_B, said: bytes) -> bytes:
    """Return SPAKE2's key. Raises BadMessage if what was said is no message of the other side."""
    try:
        key: bytes = pake.finish(said)
    except (SPAKEError, NotOnCurve, ValueError) as error:
        raise BadMessage("It is no message of SPAKE2.") from error
    return key


def _party(said: Introduction, fingerprint: str) -> Party:
    try:
        checked_name(said.name)
    except ValueError as error:
        raise BadMessage(f"Introduction.name must be {error}") from None
    if not said.roles or len(set(said.roles)) != len(said.roles):
        raise BadMessage("Introduction.roles must be there, each once")
    return Party(said.name, fingerprint, said.roles, said.control_port)


# The two sides


class Typing:
    """The side where the code is typed: begin(), receive() the other, prove(), receive() its proof.

    own: this box; their_fingerprint: of the certificate that was shown in this connection.
    """

    def __init__(
        self, code: str, own: Party, their_fingerprint: str, random_bytes: Callable[[int], bytes]
    ) -> None:
        self._own = own
        self._their_fingerprint = their_fingerprint
        self._pake = SPAKE2_A(code.encode(), idA=_TYPES, idB=_SHOWS, entropy_f=random_bytes)
        self._frames = Frames()
        self._said = b""
        self._keys: tuple[bytes, bytes] | None = None
        self._agreed = b""
        self._has_proved = False

    def begin(self) -> bytes:
        """Return the first bytes to send."""
        self._said = self._pake.start()
        own = self._own
        return frame(Introduction(self._said, own.name, own.roles, own.control_port))

    def receive(self, data: bytes) -> Party | None:
        """Return the other side once it has introduced itself, and once it has proved itself.

        None: more is to come. Raises BadMessage, or PairingError if it ends the exchange.
        """
        expected = Proof if self._has_proved else Introduction
        message = self._frames.take(data, expected, Turned)
        match message:
            case Turned() if message.why in (_PROVED if self._has_proved else _NOT_PROVED):
                raise _turned(message)
            case Introduction() if self._keys is None:
                return self._meet(message)
            case Proof() if self._keys is not None:
                if not hmac.compare_digest(message.mac, _mac(self._keys[1], _SHOWS, self._agreed)):
                    raise WrongCodeError(0)
                return self._other
            case None:
                return None
        raise BadMessage("It is out of turn.")

    def prove(self) -> bytes:
        """Return the proof to send, after the other side has introduced itself."""
        assert self._keys is not None, "receive() has returned the other side"
        self._has_proved = True
        return frame(Proof(_mac(self._keys[0], _TYPES, self._agreed)))

    def _meet(self, said: Introduction) -> Party:
        self._other = _party(said, self._their_fingerprint)
        self._keys = confirmation_keys(_shared(self._pake, said.pake))
        self._agreed = transcript(self._own, self._other, self._said, said.pake)
        return self._other


class Showing:
    """The side that shows the code: one exchange with whoever has connected.

    receive() returns what to send, and None while more is to come; once the other side has proved
    itself, proved is set and the caller says accept() or turn(). is_over: nothing more is taken.
    """

    def __init__(
        self,
        window: Window,
        own: Party,
        their_fingerprint: str,
        random_bytes: Callable[[int], bytes],
    ) -> None:
        self.proved: Party | None = None
        self.wrong: Party | None = None
        self.is_over = False
        self._window = window
        self._own = own
        self._their_fingerprint = their_fingerprint
        self._random_bytes = random_bytes
        self._frames = Frames()
        self._keys: tuple[bytes, bytes] | None = None
        self._agreed = b""

    def receive(self, data: bytes, now_s: float) -> bytes | None:
        """Take bytes of a stranger; return what to send. Raises BadMessage."""
        if self.is_over or self.proved is not None:
            raise BadMessage("It is out of turn.")
        message = self._frames.take(data, Introduction if self._keys is None else Proof)
        match message:
            case Introduction():
                return self._meet(message, now_s)
            case Proof():
                return self._judge(message, now_s)
        return None

    def accept(self) -> bytes:
        """Return our own proof, after what has to be kept is kept."""
        assert self._keys is not None, "it has proved itself"
        assert self.proved is not None, "it has proved itself"
        self.is_over = True
        return frame(Proof(_mac(self._keys[1], _SHOWS, self._agreed)))

    def turn(self, why: Turn) -> bytes:
        """End the exchange; return what to send."""
        self.is_over = True
        return frame(Turned(why, self._window.tries_left))

    def _meet(self, said: Introduction, now_s: float) -> bytes:
        other = _party(said, self._their_fingerprint)
        why = self._window.why_not_now(now_s)
        if why is not None:
            return self.turn(why)
        pake = SPAKE2_B(
            self._window.password(), idA=_TYPES, idB=_SHOWS, entropy_f=self._random_bytes
        )
        own, ours = self._own, pake.start()
        self._keys = confirmation_keys(_shared(pake, said.pake))
        self._agreed = transcript(other, own, said.pake, ours)
        self._other = other
        return frame(Introduction(ours, own.name, own.roles, own.control_port))

    def _judge(self, proof: Proof, now_s: float) -> bytes | None:
        assert self._keys is not None, "a proof comes after the introduction"
        wanted = _mac(self._keys[0], _TYPES, self._agreed)
        why = self._window.judge(hmac.compare_digest(proof.mac, wanted), now_s)
        if why is None:
            self.proved = self._other
            return None
        if why is Turn.WRONG_CODE:
            self.wrong = self._other
        return self.turn(why)


def _turned(said: Turned) -> PairingError:
    match said.why:
        case Turn.WRONG_CODE:
            return WrongCodeError()
        case Turn.NAME_TAKEN:
            return PairingError(
                "The other box trusts another box of this name already.",
                remedy="If this one was set up anew, run `syncd peers forget` with its name there. "
                + _USED_UP,
            )
        case Turn.NOT_KEPT:
            return PairingError(
                "The other box could not keep whom it trusts.",
                remedy=f"Look at what `syncd pair` says there. {_USED_UP}",
            )
        case Turn.BUSY:
            return BusyError(
                "The other box is busy with somebody else's code.",
                remedy="Type it again. What `syncd pair` says there tells who else asks.",
            )
        case Turn.CLOSED:
            return PairingError(
                "The code is not good any more.",
                remedy="Run `syncd pair` there again, for a new one. If it was still shown there, "
                "somebody may sit between the two boxes.",
            )


def broken_after_proof(where: str, who: str) -> PairingError:
    """Return what to say if no true end has come once the typing side had sent its proof."""
    return PairingError(
        f"{who} at {where} did not end the pairing as a box does that knows the code: the "
        "connection broke, or somebody sits between the two boxes.",
        remedy=f"The code is used up: run `syncd pair` there again, for a new one; if {who} lists "
        "this box already, that does no harm. If it happens again, join the two boxes by one "
        "cable.",
    )
