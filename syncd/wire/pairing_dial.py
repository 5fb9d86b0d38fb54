"""Dialling a box that shows a pairing code, and typing the code to it: one exchange, one try.

Owns: the connection, its time limits, and which of several addresses is used.
Must not: trust anybody; whoever calls does, with what it returns.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from typing import TypeVar

from syncd.edges.dialling import open_socket
from syncd.errors import PeerUnreachableError
from syncd.wire.fields import BadMessage
from syncd.wire.gate import peer_fingerprint
from syncd.wire.handshakes import handshake_error, hung_up
from syncd.wire.identity import Identity
from syncd.wire.pairing import ALPN, BusyError, PairingError, Party, Typing, broken_after_proof
from syncd.wire.pairing_code import EXCHANGES_EVERY_S
from syncd.wire.pairing_frames import FRAME_BYTES_MAX
from syncd.wire.peers import Address, address_text

HANDSHAKE_S = 3.0
ANSWER_S = 8.0
CLOSE_S = 1.0
BUSY_TRIES = 8  # a box lets exchanges begin every EXCHANGES_EVERY_S, whoever begins them

T = TypeVar("T")
Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


async def when_not_busy(pair: Callable[[], Awaitable[T]]) -> T:
    """Pair, again and again for some seconds while the other box is busy.

    BusyError comes only before our proof, so nobody has got a guess by it.
    """
    for _ in range(BUSY_TRIES - 1):
        with suppress(BusyError):
            return await pair()
        await asyncio.sleep(1.2 * EXCHANGES_EVERY_S)
    return await pair()


async def pair_with(
    addresses: Sequence[Address],
    code: str,
    *,
    own: Party,
    identity: Identity,
    random_bytes: Callable[[int], bytes],
    ready: Callable[[Party, Address], Awaitable[None]],
) -> tuple[Party, Address]:
    """Type code to the first of addresses that answers; return who proved itself, and where.

    ready: called before anything is proved to the other box; raises a SyncdError if this one
    cannot trust it. Whatever comes of it after that, the other side has had one guess.
    Raises what ready does, PeerUnreachableError or PairingError.
    """
    problem: PeerUnreachableError | None = None
    for address in addresses:
        try:
            reader, writer = await _connect(address, identity)
        except PeerUnreachableError as error:
            problem = problem or error
            continue
        try:
            async with asyncio.timeout(ANSWER_S):
                shown = peer_fingerprint(writer.transport)
                if shown is None:
                    raise hung_up(address_text(address))
                if shown == own.fingerprint:
                    raise _is_this_box(address)
                typing = Typing(code, own, shown, random_bytes)
                party = await _meet(reader, writer, typing, address)
                await ready(party, address)
            return await _prove(reader, writer, typing, party, address), address
        except TimeoutError as error:
            raise PeerUnreachableError(
                f"{address_text(address)} does not answer.", remedy="Try again."
            ) from error
        finally:
            writer.close()
            with suppress(OSError, TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await writer.wait_closed()
    assert problem is not None, "there was an address to try"
    raise problem


async def _meet(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, typing: Typing, address: Address
) -> Party:
    """Return who the other side says it is."""
    try:
        writer.write(typing.begin())
        return await _next(reader, typing)
    except (EOFError, OSError) as error:
        raise hung_up(address_text(address)) from error
    except BadMessage as error:
        raise PairingError(
            f"{address_text(address)} shows no pairing code.",
            remedy="Run `syncd pair` there, and type the code that it shows here.",
        ) from error


async def _prove(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    typing: Typing,
    party: Party,
    address: Address,
) -> Party:
    """Give the other side its one guess; return it once it has proved itself."""
    try:
        async with asyncio.timeout(ANSWER_S):
            writer.write(typing.prove())
            return await _next(reader, typing)
    except (BadMessage, EOFError, OSError) as error:  # a TimeoutError is one, too
        raise broken_after_proof(address_text(address), party.name) from error


async def _next(reader: asyncio.StreamReader, typing: Typing) -> Party:
    """Return the other side, after its next message. Raises what Typing does, EOFError, OSError."""
    while True:
        data = await reader.read(2 * FRAME_BYTES_MAX)
        if not data:
            raise EOFError
        party = typing.receive(data)
        if party is not None:
            return party


async def _connect(address: Address, identity: Identity) -> Streams:
    context = identity.client_context()
    context.set_alpn_protocols([ALPN])
    where = address_text(address)
    try:
        connected = await open_socket(*address)
    except OSError as error:  # a TimeoutError is one, too
        reason = error.strerror or str(error) or "no answer"
        raise PeerUnreachableError(
            f"{where} cannot be reached: {reason}.",
            remedy="Check that syncd runs there, then cable, address and firewall; or say another "
            "address of it: syncd pair CODE --with ADDRESS",
        ) from error
    try:
        return await asyncio.open_connection(
            sock=connected,
            ssl=context,
            server_hostname="",
            limit=4 * FRAME_BYTES_MAX,
            ssl_handshake_timeout=HANDSHAKE_S,
            ssl_shutdown_timeout=CLOSE_S,
        )
    except OSError as error:
        raise handshake_error(where, error) from error


def _is_this_box(address: Address) -> PairingError:
    return PairingError(
        f"{address_text(address)} is this very box.",
        remedy="Say where the other one is: syncd pair CODE --with ADDRESS",
    )
