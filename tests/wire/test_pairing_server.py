"""Pairing over real TLS on loopback: strangers, the one in the middle, and who guesses."""

import asyncio
import logging
import ssl
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from syncd.errors import NotPossibleError, PeerUnreachableError, SyncdError
from syncd.wire import pairing_dial, pairing_server
from syncd.wire.control_server import ControlServer
from syncd.wire.gate import peer_fingerprint
from syncd.wire.identity import Identity
from syncd.wire.messages import Refusal, unpack
from syncd.wire.pairing import ALPN, PairingError, Party, Typing
from syncd.wire.pairing_code import EXCHANGES_EVERY_S, TRIES, Turn, Window, WindowState
from syncd.wire.pairing_dial import pair_with
from syncd.wire.pairing_frames import Turned, frame
from syncd.wire.pairing_line import EXCHANGES_MAX, WAITING_MAX
from syncd.wire.pairing_server import PairingTalks
from syncd.wire.peers import Address, PeerBook, TrustedPeer
from tests.wire.conftest import WallClock
from tests.wire.test_control import self_signed

pytestmark = pytest.mark.usefixtures("nothing_left")

CODE, WRONG = "482913", "000000"
MakeIdentity = Callable[..., Identity]


class NoDesk:
    """Fails the test if any question gets this far."""

    async def check(self, peer: Any, kind: Any) -> None:
        raise AssertionError(f"{peer} asked {kind}")

    async def note_unfit(self, peer: Any, asked: str, error: Any) -> None:
        raise AssertionError(f"{peer} asked {asked}: {error}")

    async def answer(self, peer: Any, question: Any) -> Any:
        raise AssertionError(f"{peer} asked {question}")


class Scene:
    """process-1, which shows a code, and boxes that type one."""

    def __init__(self, make_identity: MakeIdentity, clock: WallClock) -> None:
        self.make_identity = make_identity
        self.clock = clock
        self.identity = make_identity("process-1")
        self.book = PeerBook(self.identity.fingerprint)
        self.kept: list[tuple[Party, Address]] = []
        self.refusal: SyncdError | None = None
        self.talks = PairingTalks(self.own, clock, _random, self._keep)
        self.server = ControlServer(
            "127.0.0.1",
            0,
            identity=self.identity,
            book=self.book,
            desk=NoDesk(),
            clock=clock,
        )
        self.server.pair_by(self.talks)

    def own(self) -> Party:
        return party_of(self.identity, self.server.port)

    async def _keep(self, party: Party, address: Address) -> None:
        if self.refusal is not None:
            raise self.refusal
        self.kept.append((party, address))

    def show(self, code: str = CODE) -> Window:
        """Show a code."""
        self.talks.window = Window(code, self.clock.monotonic_s())
        return self.talks.window

    @property
    def address(self) -> Address:
        return ("127.0.0.1", self.server.port)

    async def type(
        self,
        code: str = CODE,
        *,
        box: str | Identity = "offload-1",
        at: Address | None = None,
        refusal: SyncdError | None = None,
    ) -> tuple[Party, Address]:
        """Type a code on a box."""

        async def ready(_: Party, __: Address) -> None:
            if refusal is not None:
                raise refusal

        identity = self.make_identity(box) if isinstance(box, str) else box
        return await pair_with(
            [at or self.address],
            code,
            own=party_of(identity, 8840),
            identity=identity,
            random_bytes=_random,
            ready=ready,
        )


def _random(count: int) -> bytes:
    import secrets  # noqa: PLC0415

    return secrets.token_bytes(count)


def party_of(identity: Identity, port: int) -> Party:
    """Return what a box says of itself."""
    role = {"process-1": "processing", "edit-1": "editorial"}.get(identity.name, "offload")
    return Party(identity.name, identity.fingerprint, (role,), port)


@pytest.fixture
async def scene(make_identity: MakeIdentity, clock: WallClock) -> AsyncIterator[Scene]:
    """Give process-1 listening; no code is shown yet."""
    scene = Scene(make_identity, clock)
    async with scene.server:
        yield scene
        await scene.talks.close()


async def test_the_right_code_pairs_over_the_network(scene: Scene) -> None:
    """Each end gets the certificate that the other's TLS has proved, and where it is."""
    window = scene.show()
    party, address = await scene.type()
    assert (party, address) == (scene.own(), scene.address)
    assert scene.kept == [
        (party_of(scene.make_identity("offload-1"), 8840), ("127.0.0.1", 8840)),
    ]
    assert window.state(scene.clock.monotonic_s()) is WindowState.PAIRED
    with pytest.raises(PairingError) as caught:
        await scene.type(box="edit-1")
    assert "shows no pairing code" in caught.value.problem
    assert len(scene.kept) == 1


async def test_a_box_that_shows_no_code_answers_as_any_stranger_is_answered(scene: Scene) -> None:
    """The same bytes, whether it was asked to pair or not; the question is not parsed."""
    stranger = scene.make_identity("edit-1")
    answers = []
    for asks in (False, True):
        reader, writer = await _connect(stranger, scene.address, asks=asks)
        writer.write(b"anything")
        answers.append(await reader.read())
        writer.close()
        await _closed(writer)
    assert answers[0] == answers[1]
    refusal = unpack(Refusal, answers[1].partition(b"\r\n\r\n")[2])
    assert refusal.code == "not-paired"
    with pytest.raises(PairingError) as caught:
        await scene.type()
    assert "syncd pair" in caught.value.remedy


async def test_brute_force_ends_after_three_codes_and_is_slow_before(
    scene: Scene, caplog: pytest.LogCaptureFixture
) -> None:
    """As many attempts as go, one after the other: three are looked at. The right one is late."""
    window = scene.show()
    began_s = time.monotonic()
    looked_at = tried = 0
    with caplog.at_level(logging.INFO):
        while window.state(scene.clock.monotonic_s()) is WindowState.OPEN:
            tried += 1
            with pytest.raises(PairingError) as caught:
                await scene.type(f"{tried:06}")
            looked_at += "code is wrong" in caught.value.problem
    took_s = time.monotonic() - began_s
    assert looked_at == TRIES == 3
    assert took_s >= (TRIES - 1) * EXCHANGES_EVERY_S
    with pytest.raises(PairingError):
        await scene.type(CODE)
    assert not scene.kept
    assert CODE not in caplog.text
    assert caplog.text.count("A wrong pairing code was typed at 127.0.0.1") == TRIES


async def test_sixty_at_once_have_three_guesses_together(
    scene: Scene, caplog: pytest.LogCaptureFixture
) -> None:
    """They wait for their turns, one each half second; the others hear that the code is gone."""
    window = scene.show()
    began_s = time.monotonic()
    with caplog.at_level(logging.INFO):
        ends = await asyncio.gather(
            *(scene.type(f"{number:06}") for number in range(60)), return_exceptions=True
        )
    assert time.monotonic() - began_s >= (TRIES - 1) * EXCHANGES_EVERY_S
    said = [str(end) for end in ends]
    assert sum("code is wrong" in text for text in said) == TRIES, said
    assert caplog.text.count("A wrong pairing code was typed at 127.0.0.1") == TRIES
    assert window.tries_left == 0
    assert not scene.kept


async def test_the_one_in_the_middle_gets_nothing_although_the_right_code_is_typed(
    scene: Scene,
) -> None:
    """Two TLS connections of its own, every byte passed on in both directions."""
    window = scene.show()
    middle = scene.make_identity("middle-1")
    async with _in_the_middle(middle, scene.address) as (address, passed):
        with pytest.raises(PairingError) as caught:
            await scene.type(at=address)
    assert "somebody sits between" in caught.value.problem
    assert not scene.kept
    assert window.tries_left == TRIES - 1
    assert len(passed) == 4, "introductions, a proof, a refusal"
    await asyncio.sleep(EXCHANGES_EVERY_S)
    party, _ = await scene.type()
    assert party == scene.own(), "the code was not spoilt"


async def test_a_box_that_may_not_be_trusted_here_is_told_no_proof(scene: Scene) -> None:
    """The other end then keeps nothing, and its code is as good as before."""
    window = scene.show()
    with pytest.raises(NotPossibleError):
        await scene.type(refusal=NotPossibleError("Another process-1.", remedy="Forget it."))
    assert not scene.kept
    assert window.tries_left == TRIES
    assert scene.talks.is_open


async def test_what_the_showing_box_cannot_keep_is_no_pairing_on_the_other(scene: Scene) -> None:
    """Neither trusts the other; each says why, in its own words."""
    for refusal, words in (
        (NotPossibleError("Another offload-1.", remedy="Forget it."), "of this name already"),
        (SyncdError("The disk is full.", remedy="Free space."), "could not keep"),
    ):
        scene.show()
        scene.refusal = refusal
        with pytest.raises(PairingError) as caught:
            await scene.type()
        assert words in caught.value.problem
        assert not scene.talks.is_open, "a code is good once"


async def test_a_peer_that_is_trusted_already_may_pair_anew(scene: Scene) -> None:
    """The other end may have lost its list; and its question never reaches the HTTP parser."""
    known = scene.make_identity("offload-1")
    scene.book.trust(TrustedPeer("offload-1", known.fingerprint))
    scene.show()
    assert (await scene.type())[0] == scene.own()
    with pytest.raises(PairingError) as caught:
        await scene.type()
    assert "shows no pairing code" in caught.value.problem


Stranger = tuple[asyncio.StreamReader, asyncio.StreamWriter]


async def _let_go(strangers: Sequence[Stranger]) -> None:
    for _, writer in strangers:
        writer.close()
    for _, writer in strangers:
        await _closed(writer)


async def test_strangers_who_say_nothing_keep_nobody_waiting_and_are_cut_soon(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many there are; who is cut for another may try again; all of them are counted."""
    monkeypatch.setattr(pairing_server, "SILENT_S", 4.0)  # so long do the handshakes of all take
    scene.show()
    stranger = scene.make_identity("edit-1")
    silent = await asyncio.gather(
        *(_connect(stranger, scene.address, asks=True) for _ in range(WAITING_MAX + EXCHANGES_MAX))
    )
    assert len(scene.talks.line) <= WAITING_MAX
    assert (await scene.type())[0] == scene.own()
    said = []
    for reader, _ in silent:
        async with asyncio.timeout(8):
            said.append(await reader.read())
    pushed_out = EXCHANGES_MAX + 1
    assert said.count(frame(Turned(Turn.BUSY))) == pushed_out
    assert said.count(b"") == len(silent) - pushed_out
    await _let_go(silent)
    assert len(scene.talks.line) == 0
    assert scene.talks.askers.most() == ("127.0.0.1", len(silent))


async def test_strangers_who_are_silent_again_and_again_keep_no_code_out(
    scene: Scene, caplog: pytest.LogCaptureFixture
) -> None:
    """Four connections that are opened anew as they are cut: the first try pairs."""
    scene.show()
    stranger = scene.make_identity("edit-1")

    async def hold() -> None:
        while True:
            reader, writer = await _connect(stranger, scene.address, asks=True)
            try:
                with suppress(OSError):
                    await reader.read()
            finally:
                writer.close()
                await _closed(writer)

    with caplog.at_level(logging.INFO):
        holding = [asyncio.create_task(hold()) for _ in range(4)]
        await asyncio.sleep(pairing_server.SILENT_S + 0.5)
        assert (await scene.type())[0] == scene.own()
    for task in holding:
        task.cancel()
    await asyncio.gather(*holding, return_exceptions=True)
    lines = [record.message for record in caplog.records if "types no code" in record.message]
    assert lines == ["127.0.0.1 asks to pair again and again, and types no code"]


async def test_who_introduces_itself_and_proves_nothing_makes_room_for_who_does(
    scene: Scene,
) -> None:
    """More of them than there are exchanges: each has its turn, the next one takes its place."""
    window = scene.show()
    stranger = scene.make_identity("edit-1")
    idle = []
    for _ in range(EXCHANGES_MAX + 1):
        reader, writer = await _connect(stranger, scene.address, asks=True)
        typing = Typing(WRONG, party_of(stranger, 8840), scene.identity.fingerprint, _random)
        writer.write(typing.begin())
        idle.append((reader, writer))
    for reader, _ in idle:
        assert await reader.read(1), "it had its turn"
    assert len(scene.talks.line) == EXCHANGES_MAX
    assert (await scene.type())[0] == scene.own()
    assert window.tries_left == TRIES
    await _let_go(idle)
    assert scene.talks.askers.most() == ("127.0.0.1", len(idle))


@pytest.mark.parametrize("data", [b"\x00", b"\xff" * 3, b"\x00\xff\xff" + bytes(70_000), bytes(9)])
async def test_garbage_is_cut_and_nothing_is_kept_of_it(scene: Scene, data: bytes) -> None:
    """No answer to what cannot be understood; one byte is waited for, in vain."""
    scene.show()
    reader, writer = await _connect(scene.make_identity("edit-1"), scene.address, asks=True)
    writer.write(data)
    async with asyncio.timeout(15):
        with suppress(ConnectionError):
            assert await reader.read() == b""
    writer.close()
    await _closed(writer)
    assert (await scene.type())[0] == scene.own()


async def test_nobody_there_and_this_very_box_are_said_as_such(scene: Scene) -> None:
    """What a person types wrong has a remedy."""
    with pytest.raises(PeerUnreachableError):
        await scene.type(at=("127.0.0.1", 9))
    scene.show()
    with pytest.raises(PairingError) as caught:
        await scene.type(box="process-1")
    assert "this very box" in caught.value.problem
    assert scene.talks.is_open


LIBRARY = ("ssl", "SSL", "handshake is taking", "verify failed", "_ssl.c", "errno", "Errno")


@pytest.mark.parametrize("who", ["a banner", "silence", "a hang-up", "old TLS", "self-signed"])
async def test_a_wrong_port_is_told_in_our_words(
    who: str, scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board's, the lanes', another service's: no clock is to be set for it."""
    monkeypatch.setattr(pairing_dial, "HANDSHAKE_S", 1.0)

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if who == "a banner":
            writer.write(b"\x00\x00\x00\x20welcome, whoever you are\r\n")
        if who == "silence":
            with suppress(OSError):
                while await reader.read(4096):
                    pass
        writer.close()

    context = None
    if who == "old TLS":
        context = scene.identity.server_context()
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_2
    if who == "self-signed":
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*self_signed(tmp_path))
    async with _answering(answer, context) as at:
        with pytest.raises(PeerUnreachableError) as caught:
            await scene.type(at=at)
    said = str(caught.value)
    assert "node.control" in caught.value.remedy
    assert "clock" not in said
    assert not [word for word in LIBRARY if word in said], said


@pytest.mark.parametrize(("days_old", "words"), [(-30, "not valid yet"), (11 * 365, "has ended")])
async def test_a_box_whose_certificate_is_not_valid_now_leads_to_the_clocks(
    scene: Scene, days_old: int, words: str
) -> None:
    """That is a syncd; on the other side, whose certificate it is cannot know more than a cut."""
    other = scene.make_identity("other-1", days_old=days_old)
    async with _answering(_says_nothing, other.server_context()) as at:
        with pytest.raises(PeerUnreachableError) as caught:
            await scene.type(at=at)
    assert words in caught.value.problem
    assert "clocks" in caught.value.remedy
    scene.show()
    with pytest.raises(PeerUnreachableError) as caught:
        await scene.type(box=other)
    assert "hung up" in caught.value.problem
    assert "clocks" in caught.value.remedy


async def _says_nothing(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.close()


@asynccontextmanager
async def _answering(
    answer: Callable[..., Coroutine[Any, Any, None]], context: ssl.SSLContext | None
) -> AsyncIterator[Address]:
    """Listen as something that is no paired syncd; yield where."""
    server = await asyncio.start_server(answer, "127.0.0.1", 0, ssl=context)
    try:
        yield ("127.0.0.1", server.sockets[0].getsockname()[1])
    finally:
        server.close()
        await server.wait_closed()


async def _connect(
    identity: Identity, address: Address, *, asks: bool
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    context = identity.client_context()
    if asks:
        context.set_alpn_protocols([ALPN])
    return await asyncio.open_connection(*address, ssl=context, server_hostname="")


async def _closed(writer: asyncio.StreamWriter) -> None:
    with suppress(OSError):
        await writer.wait_closed()


@asynccontextmanager
async def _in_the_middle(
    identity: Identity, target: Address
) -> AsyncIterator[tuple[Address, list[bytes]]]:
    """Listen as identity, dial target as identity, and pass on what either says."""
    passed: list[bytes] = []
    tasks: set[asyncio.Task[None]] = set()

    async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            passed.append(data)
            writer.write(data)
        writer.close()
        await _closed(writer)

    async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        assert peer_fingerprint(writer.transport) is not None
        onward, back = await _connect(identity, target, asks=True)
        for pair in ((reader, back), (onward, writer)):
            task = asyncio.create_task(pump(*pair))
            tasks.add(task)

    server = await asyncio.start_server(relay, "127.0.0.1", 0, ssl=identity.server_context())
    try:
        yield ("127.0.0.1", server.sockets[0].getsockname()[1]), passed
    finally:
        server.close()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()
