"""The pairing protocol in memory: who gets through with what, and what it costs to guess.

Outside checks: the key of SPAKE2 is computed here once more, from the published formula and the
curve of RFC 8032 (from memory), and held against the vector that the library publishes
(python-spake2 0.9, test_compat.py); HKDF against RFC 5869, A.1.
"""

import hmac
import random
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spake2 import SPAKE2_A, SPAKE2_B
from spake2.parameters.ed25519 import ParamsEd25519

from syncd.wire import pairing
from syncd.wire.fields import BadMessage, unpack_plain
from syncd.wire.pairing import PairingError, Party, Showing, Typing
from syncd.wire.pairing_code import (
    CODE_VALID_S,
    EXCHANGES_EVERY_S,
    TRIES,
    Turn,
    Window,
    WindowState,
)
from syncd.wire.pairing_frames import (
    FRAME_BYTES_MAX,
    HEAD_BYTES,
    Introduction,
    Proof,
    Turned,
    frame,
)

CODE, OTHER_CODE = "482913", "482914"
OFFLOAD = Party("offload-1", f"sha256:{'a' * 64}", ("offload",), 8840)
PROCESS = Party("process-1", f"sha256:{'b' * 64}", ("processing", "editorial"), 8940)
MIDDLE = f"sha256:{'c' * 64}"


class Scene:
    """Both sides of exchanges against one window, on a clock that the test moves."""

    def __init__(self, code: str = CODE) -> None:
        self.now_s = 1000.0
        self.window = Window(code, self.now_s)
        self.bytes = random.Random(1).randbytes

    def typing(self, code: str = CODE, *, sees: str = PROCESS.fingerprint) -> Typing:
        """offload-1 types a code."""
        return Typing(code, OFFLOAD, sees, self.bytes)

    def showing(self, *, sees: str = OFFLOAD.fingerprint) -> Showing:
        """process-1 answers, a while after the last."""
        self.now_s += EXCHANGES_EVERY_S
        return Showing(self.window, PROCESS, sees, self.bytes)

    def exchange(self, typing: Typing, showing: Showing) -> tuple[Party | None, Party | None]:
        """Let both talk to the end; return whom each takes for the other."""
        said = showing.receive(typing.begin(), self.now_s)
        assert said is not None
        assert typing.receive(said) is not None
        reply = showing.receive(typing.prove(), self.now_s)
        if showing.proved is None:
            assert reply is not None
            with pytest.raises(PairingError):
                typing.receive(reply)
            return None, None
        return typing.receive(showing.accept()), showing.proved

    def state(self) -> WindowState:
        return self.window.state(self.now_s)


def test_the_right_code_tells_each_who_the_other_is() -> None:
    """Name, roles and port as said, the certificate as seen; then the code is used up."""
    scene = Scene()
    assert scene.exchange(scene.typing(), scene.showing()) == (PROCESS, OFFLOAD)
    assert scene.state() is WindowState.PAIRED
    late = scene.showing()
    reply = late.receive(scene.typing().begin(), scene.now_s)
    assert late.is_over
    with pytest.raises(PairingError) as caught:
        scene.typing().receive(reply or b"")
    assert "not good any more" in caught.value.problem


def test_byte_by_byte_is_the_same() -> None:
    """A network may cut anywhere."""
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()

    def feed(take: Callable[[bytes], Any], data: bytes) -> Any:
        *firsts, last = [data[i : i + 1] for i in range(len(data))]
        assert [take(each) for each in firsts] == [None] * len(firsts)
        return take(last)

    said = feed(lambda data: showing.receive(data, scene.now_s), typing.begin())
    assert feed(typing.receive, said) == PROCESS
    assert feed(lambda data: showing.receive(data, scene.now_s), typing.prove()) is None
    assert showing.proved == OFFLOAD
    assert feed(typing.receive, showing.accept()) == PROCESS


def test_three_wrong_codes_are_the_end_of_the_code() -> None:
    """The right one, too, is then refused; nobody is told what was wrong about his."""
    scene = Scene()
    for left in reversed(range(TRIES)):
        assert scene.state() is WindowState.OPEN
        assert scene.exchange(scene.typing(OTHER_CODE), scene.showing()) == (None, None)
        assert scene.window.tries_left == left
    assert scene.state() is WindowState.SPENT
    assert scene.showing().receive(scene.typing().begin(), scene.now_s) == frame(
        Turned(Turn.CLOSED, 0)
    )


def test_proofs_that_were_prepared_at_once_are_still_three() -> None:
    """Many exchanges begun before the first proof: each proof counts when it is looked at."""
    scene = Scene()
    begun = []
    for number in range(10):
        typing, showing = scene.typing(f"{number:06}"), scene.showing()
        said = showing.receive(typing.begin(), scene.now_s)
        typing.receive(said or b"")
        begun.append((typing, showing))
    right, last = scene.typing(), scene.showing()
    right.receive(last.receive(right.begin(), scene.now_s) or b"")
    begun.append((right, last))
    replies = [showing.receive(typing.prove(), scene.now_s) for typing, showing in begun]
    whys = [reply[HEAD_BYTES:] for reply in replies if reply is not None]
    assert len(whys) == 11
    assert sum(frame(Turned(Turn.CLOSED, 0))[HEAD_BYTES:] == why for why in whys) == 8
    assert last.proved is None


def test_a_code_expires_also_in_mid_exchange() -> None:
    """Five minutes, by a clock that nobody sets."""
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()
    typing.receive(showing.receive(typing.begin(), scene.now_s) or b"")
    assert scene.window.left_s(scene.now_s) == CODE_VALID_S - EXCHANGES_EVERY_S
    scene.now_s = 1000.0 + CODE_VALID_S
    assert showing.receive(typing.prove(), scene.now_s) == frame(Turned(Turn.CLOSED, TRIES))
    assert showing.proved is None
    assert scene.state() is WindowState.EXPIRED
    scene.now_s = 1000.0
    assert scene.state() is WindowState.EXPIRED


def test_a_closed_code_lets_nobody_in() -> None:
    """As after Ctrl-C."""
    scene = Scene()
    scene.window.close()
    assert scene.showing().receive(scene.typing().begin(), scene.now_s) == frame(
        Turned(Turn.CLOSED, TRIES)
    )


def test_guessing_is_slow() -> None:
    """One exchange each half second, whoever asks; before that nothing is computed."""
    scene = Scene()
    showing = scene.showing()
    assert showing.receive(scene.typing().begin(), scene.now_s) is not None
    other = Showing(scene.window, PROCESS, OFFLOAD.fingerprint, scene.bytes)
    reply = other.receive(scene.typing().begin(), scene.now_s + EXCHANGES_EVERY_S * 0.9)
    assert reply == frame(Turned(Turn.BUSY, TRIES))
    assert other.is_over


def test_who_sits_between_two_connections_gets_nothing_with_the_right_code_typed() -> None:
    """Every byte is passed on; each end sees the certificate of the one in the middle."""
    scene = Scene()
    typing, showing = scene.typing(sees=MIDDLE), scene.showing(sees=MIDDLE)
    assert scene.exchange(typing, showing) == (None, None)
    assert scene.window.tries_left == TRIES - 1


@pytest.mark.parametrize("leg", ["typing", "showing"])
def test_one_other_certificate_is_enough_to_refuse(leg: str) -> None:
    """Both views are in what is proved."""
    scene = Scene()
    typing = scene.typing(sees=MIDDLE if leg == "typing" else PROCESS.fingerprint)
    showing = scene.showing(sees=MIDDLE if leg == "showing" else OFFLOAD.fingerprint)
    assert scene.exchange(typing, showing) == (None, None)


@pytest.mark.parametrize(
    "change",
    [{"name": "edit-1"}, {"roles": ("offload", "processing")}, {"control_port": 1}],
)
@pytest.mark.parametrize("direction", ["from typing", "from showing"])
def test_what_is_changed_on_the_way_makes_both_proofs_wrong(
    change: dict[str, Any], direction: str
) -> None:
    """Name, roles and port are agreed on, not believed."""
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()
    first = typing.begin()
    if direction == "from typing":
        first = frame(replace(_introduction(first), **change))
    said = showing.receive(first, scene.now_s)
    assert said is not None
    if direction == "from showing":
        said = frame(replace(_introduction(said), **change))
    typing.receive(said)
    reply = showing.receive(typing.prove(), scene.now_s)
    assert reply == frame(Turned(Turn.WRONG_CODE, TRIES - 1))
    assert showing.proved is None


def _introduction(data: bytes) -> Introduction:
    body = unpack_plain(data[HEAD_BYTES:], array_max=3)
    return Introduction.from_plain(body)


def test_a_recorded_exchange_is_worth_nothing() -> None:
    """All that the typing side said, said again: to the same code, and to the next of five alike.

    The other side's message is a new one each time, so the old proof is wrong.
    """
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()
    first = typing.begin()
    typing.receive(showing.receive(first, scene.now_s) or b"")
    second = typing.prove()
    showing.receive(second, scene.now_s)
    assert showing.proved is not None
    scene.window = Window(CODE, scene.now_s)
    for _ in range(TRIES):
        replayed = scene.showing()
        assert replayed.receive(first, scene.now_s) is not None
        replayed.receive(second, scene.now_s)
        assert replayed.proved is None
    assert scene.state() is WindowState.SPENT


def test_what_is_reflected_is_no_answer() -> None:
    """Neither side takes its own messages for the other's."""
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()
    first = typing.begin()
    with pytest.raises(BadMessage):
        typing.receive(first)
    typing = scene.typing()
    said = showing.receive(typing.begin(), scene.now_s) or b""
    with pytest.raises(BadMessage):
        scene.showing().receive(said, scene.now_s)
    typing.receive(said)
    proof = typing.prove()
    with pytest.raises(PairingError):
        typing.receive(proof)


def test_who_shows_no_code_cannot_prove_to_the_one_that_types() -> None:
    """A forged box gets one guess, and the typed code is not in what it hears."""
    scene = Scene()
    forged = Showing(Window(OTHER_CODE, 1000.0), PROCESS, OFFLOAD.fingerprint, scene.bytes)
    typing = scene.typing()
    typing.receive(forged.receive(typing.begin(), 1000.0) or b"")
    typing.prove()
    forged.proved = OFFLOAD
    with pytest.raises(PairingError) as caught:
        typing.receive(forged.accept())
    assert "somebody sits between" in caught.value.problem


@pytest.mark.parametrize(
    "data",
    [
        frame(Proof(bytes(32))),
        frame(Turned(Turn.BUSY)),
        b"\x03\x00\x00",
        b"\xff\x00\x00",
        b"\x00" + (FRAME_BYTES_MAX + 1).to_bytes(2, "big"),
        b"\x00\x00\x01\xc1",
        b"\x00\x00\x01\x90",
        b"POST /peer/hello HTTP/1.1\r\n\r\n",
        *(
            frame(Introduction(b"A" + point, "offload-1", ("offload",), 1))
            for point in (bytes(32), b"\xff" * 32, b"\x01" + bytes(31), b"\x02" + bytes(31))
        ),
        frame(Introduction(b"X" * 33, "offload-1", ("offload",), 1)),
        frame(Introduction(b"A" * 33, "off\x1b[31mload", ("offload",), 1)),
        frame(Introduction(b"A" * 33, "a/b", ("offload",), 1)),
        frame(Introduction(b"A" * 33, "offload-1", (), 1)),
        frame(Introduction(b"A" * 33, "offload-1", ("offload", "offload"), 1)),
    ],
    ids=repr,
)
def test_what_is_no_first_message_ends_the_exchange_and_costs_no_try(data: bytes) -> None:
    """Out of turn, too long, garbage, no point of the curve, a name that no config may have."""
    scene = Scene()
    with pytest.raises(BadMessage):
        scene.showing().receive(data, scene.now_s)
    assert scene.window.tries_left == TRIES
    assert scene.exchange(scene.typing(), scene.showing()) == (PROCESS, OFFLOAD)


def test_more_than_one_message_at_once_is_out_of_turn() -> None:
    """The other side waits for an answer; what follows without one is not kept."""
    scene = Scene()
    typing = scene.typing()
    with pytest.raises(BadMessage):
        scene.showing().receive(typing.begin() + b"\x01", scene.now_s)


def test_nothing_is_taken_after_the_end() -> None:
    """Neither a second proof, nor one after a right one."""
    scene = Scene()
    typing, showing = scene.typing(), scene.showing()
    scene.exchange(typing, showing)
    with pytest.raises(BadMessage):
        showing.receive(frame(Proof(bytes(32))), scene.now_s)
    wrong, other = scene.typing(), Scene()
    end = other.showing()
    wrong.receive(end.receive(wrong.begin(), other.now_s) or b"")
    end.receive(frame(Proof(bytes(32))), other.now_s)
    with pytest.raises(BadMessage):
        end.receive(wrong.prove(), other.now_s)
    assert other.window.tries_left == TRIES - 1


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=700))
def test_no_bytes_of_a_stranger_do_more_than_be_refused(data: bytes) -> None:
    """On either side, first or later."""
    scene = Scene()
    with_introduction = scene.showing()
    with_introduction.receive(scene.typing().begin(), scene.now_s)
    for take in (
        lambda: scene.showing().receive(data, scene.now_s),
        lambda: with_introduction.receive(data, scene.now_s),
        lambda: scene.typing().receive(data),
    ):
        try:
            take()
        except (BadMessage, PairingError):
            continue
    assert scene.state() is WindowState.OPEN


def test_a_window_shows_its_code_to_nobody_by_accident() -> None:
    """Whoever logs or prints it, or an error of it, sees no code."""
    window = Window(CODE, 0.0)
    assert CODE not in repr(window) + str(window)
    assert CODE not in repr(Scene().typing()) + repr(Scene().showing())


# Outside checks

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
Point = tuple[int, int]


def _add(one: Point, two: Point) -> Point:
    """Add on the curve of RFC 8032, 5.1: affine, slow, and by the formula alone."""
    (x1, y1), (x2, y2) = one, two
    k = D * x1 * x2 * y1 * y2 % P
    x = (x1 * y2 + x2 * y1) * pow(1 + k, P - 2, P) % P
    y = (y1 * y2 + x1 * x2) * pow(1 - k, P - 2, P) % P
    return x, y


def _times(scalar: int, point: Point) -> Point:
    total: Point = (0, 1)
    while scalar:
        if scalar & 1:
            total = _add(total, point)
        point = _add(point, point)
        scalar >>= 1
    return total


def _point(data: bytes) -> Point:
    number = int.from_bytes(data, "little")
    sign, y = number >> 255, number & ((1 << 255) - 1)
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * pow(2, (P - 1) // 4, P) % P
    assert (x * x - square) % P == 0
    return (P - x if x & 1 != sign else x), y


def _data(point: Point) -> bytes:
    return (point[1] | (point[0] & 1) << 255).to_bytes(32, "little")


def _hkdf(key: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    """HKDF-SHA256 by RFC 5869, section 2."""
    secret = hmac.new(salt or bytes(32), key, sha256).digest()
    made, block = b"", b""
    while len(made) < length:
        block = hmac.new(secret, block + info + bytes([len(made) // 32 + 1]), sha256).digest()
        made += block
    return made[:length]


def _spake2_key(
    password: bytes, ids: tuple[bytes, bytes], x: int, y: int
) -> tuple[bytes, bytes, bytes]:
    """Return X, Y and the key by the library's published formula, on this curve."""
    base = _point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))
    m, n = (_point(element.to_bytes()) for element in (ParamsEd25519.M, ParamsEd25519.N))
    assert _times(L, m) == _times(L, n) == _times(L, base) == (0, 1)
    w = int.from_bytes(_hkdf(password, b"", b"SPAKE2 pw", 48), "big") % L
    big_x, big_y = _add(_times(x, base), _times(w, m)), _add(_times(y, base), _times(w, n))
    shared = _times(x, _add(big_y, _times(L - w, n)))
    assert shared == _times(x * y % L, base)
    hashed = [sha256(each).digest() for each in (password, *ids)]
    whole = b"".join((*hashed, _data(big_x), _data(big_y), _data(shared)))
    return _data(big_x), _data(big_y), sha256(whole).digest()


def test_hkdf_is_rfc_5869s() -> None:
    """Test case 1 of its appendix A; then the keys of both proofs, computed once more."""
    made = _hkdf(b"\x0b" * 22, bytes(range(13)), bytes(range(0xF0, 0xFA)), 42)
    assert made.hex() == (
        "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865"
    )
    keys = pairing.confirmation_keys(b"\x07" * 32)
    assert b"".join(keys) == _hkdf(b"\x07" * 32, b"syncd pairing 1", b"confirmation", 64)


def test_the_formula_and_the_library_give_the_published_vector() -> None:
    """python-spake2 0.9, test_compat.py, SPAKE2.test_asymmetric: scalars, messages and key."""
    x = 2611694063369306139794446498317402240796898290761098242657700742213257926693
    y = 7002393159576182977806091886122272758628412261510164356026361256515836884383
    big_x, big_y, key = _spake2_key(b"password", (b"", b""), x, y)
    assert big_x.hex() == "6fc960df73c9cf8ed7198b0c9534e2e96a5984bfc5edc023fd24dacf371f2af9"
    assert big_y.hex() == "354e97b88406922b1df4bea1d7870f17aed3dba7c720b313edae315b00959309"
    assert key.hex() == "a480bca13fa04464bb644f10e340125e96c9494f7399fef7c2bda67eb0fdf06d"


def test_a_whole_exchange_is_what_the_formulas_say() -> None:
    """Every byte of both proofs, from the scalars on, without the library or our code."""
    drawn: list[bytes] = []

    def draw(count: int) -> bytes:
        drawn.append(random.Random(len(drawn)).randbytes(count))
        return drawn[-1]

    window = Window(CODE, 0.0)
    typing = Typing(CODE, OFFLOAD, PROCESS.fingerprint, draw)
    showing = Showing(window, PROCESS, OFFLOAD.fingerprint, draw)
    said = showing.receive(typing.begin(), 0.0)
    typing.receive(said or b"")
    proof_a = typing.prove()
    showing.receive(proof_a, 0.0)
    proof_b = showing.accept()

    label = b"syncd pairing 1"
    ids = (label + b": types the code", label + b": shows the code")
    x, y = (int.from_bytes(each, "big") % L for each in drawn)
    big_x, big_y, key = _spake2_key(CODE.encode(), ids, x, y)
    fields = [label, b"A" + big_x, b"B" + big_y]
    fields += [bytes.fromhex("a" * 64), b"offload-1", b"offload", (8840).to_bytes(2, "big")]
    fields += [bytes.fromhex("b" * 64), b"process-1", b"processing,editorial"]
    fields += [(8940).to_bytes(2, "big")]
    agreed = b"".join(len(each).to_bytes(2, "big") + each for each in fields)
    keys = _hkdf(key, label, b"confirmation", 64)
    assert proof_a[-32:] == hmac.new(keys[:32], ids[0] + agreed, sha256).digest()
    assert proof_b[-32:] == hmac.new(keys[32:], ids[1] + agreed, sha256).digest()


def test_both_sides_are_the_librarys_two_and_not_one_twice() -> None:
    """The letter before each message says which; the library refuses its own."""
    assert (SPAKE2_A.side, SPAKE2_B.side) == (b"A", b"B")
