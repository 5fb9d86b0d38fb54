"""A code is typed to a box that does not know it, over real TLS: one guess, whatever it answers."""

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial

import pytest

from syncd.wire import pairing_dial
from syncd.wire.gate import peer_fingerprint
from syncd.wire.identity import Identity
from syncd.wire.pairing import BusyError, PairingError, Party, Showing
from syncd.wire.pairing_code import Turn, Window
from syncd.wire.pairing_dial import pair_with, when_not_busy
from syncd.wire.pairing_frames import FRAME_BYTES_MAX, HEAD_BYTES, Turned, frame
from syncd.wire.peers import Address

pytestmark = pytest.mark.usefixtures("nothing_left")

CODE = "482913"
MakeIdentity = Callable[..., Identity]


class Impostor:
    """Guesses a code in each exchange, takes the proof, and then says what it likes."""

    def __init__(self, identity: Identity, answer: bytes | None, busy_first: int = 0) -> None:
        self.guesses = 0
        self._identity = identity
        self._answer = answer
        self._busy = busy_first

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[Address]:
        """Listen; yield where."""
        server = await asyncio.start_server(
            self._talk, "127.0.0.1", 0, ssl=self._identity.server_context()
        )
        try:
            yield ("127.0.0.1", server.sockets[0].getsockname()[1])
        finally:
            server.close()
            await server.wait_closed()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        fingerprint = peer_fingerprint(writer.transport)
        assert fingerprint is not None
        own = Party("process-1", self._identity.fingerprint, ("processing",), 8840)
        window = Window(f"{self.guesses:06}", 0.0)
        showing = Showing(window, own, fingerprint, os.urandom)
        said = showing.receive(await _message(reader), 0.0)
        assert said is not None
        if self._busy:
            self._busy -= 1
            writer.write(frame(Turned(Turn.BUSY)))
        else:
            writer.write(said)
            showing.receive(await _message(reader), 0.0)
            self.guesses += 1
            if self._answer is None:
                await reader.read()
            else:
                writer.write(self._answer)
        writer.close()


async def _message(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(HEAD_BYTES)
    return head + await reader.readexactly(int.from_bytes(head[1:], "big"))


async def _type(identity: Identity, address: Address) -> None:
    async def ready(_: Party, __: Address) -> None:
        """Anybody may be trusted here."""

    await when_not_busy(
        partial(
            pair_with,
            [address],
            CODE,
            own=Party("offload-1", identity.fingerprint, ("offload",), 8840),
            identity=identity,
            random_bytes=os.urandom,
            ready=ready,
        )
    )


@pytest.mark.parametrize(
    "answer",
    [
        *(frame(Turned(why, 2)) for why in Turn),
        b"",
        b"\xff" * FRAME_BYTES_MAX,
        None,
    ],
    ids=[*(why.value for why in Turn), "hangs up", "garbage", "silence"],
)
async def test_an_impostor_has_one_guess_and_the_person_is_told(
    answer: bytes | None, make_identity: MakeIdentity, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also if it pretends that it was too busy to look at the code: that is no true end."""
    monkeypatch.setattr(pairing_dial, "ANSWER_S", 2.0)
    impostor = Impostor(make_identity("process-1"), answer)
    async with impostor.listening() as address:
        with pytest.raises(PairingError) as caught:
            await _type(make_identity("offload-1"), address)
    assert impostor.guesses == 1
    assert not isinstance(caught.value, BusyError)
    assert "between the two boxes" in str(caught.value)
    if answer not in {frame(Turned(why, 2)) for why in (Turn.CLOSED, Turn.WRONG_CODE)}:
        assert "The code is used up" in caught.value.remedy


async def test_who_says_that_it_is_busy_before_has_no_guess_and_is_asked_again(
    make_identity: MakeIdentity,
) -> None:
    """A box that others ask, too, is soon free."""
    impostor = Impostor(make_identity("process-1"), frame(Turned(Turn.WRONG_CODE)), busy_first=2)
    async with impostor.listening() as address:
        with pytest.raises(PairingError):
            await _type(make_identity("offload-1"), address)
    assert impostor.guesses == 1
