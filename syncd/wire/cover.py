"""How a parcel's body travels on a lane, whichever way its ends have agreed on.

Owns: which form belongs to which mode. Must not: decide the mode (keys.Seal comes from the ticket).
"""

from syncd.wire.clear import ClearOpener, ClearSealer, clear_bytes
from syncd.wire.keys import Seal
from syncd.wire.seal import Opener, Sealer, sealed_bytes

Coverer = Sealer | ClearSealer
Uncoverer = Opener | ClearOpener


def body_bytes(seal: Seal, plain_bytes: int) -> int:
    """Return how many bytes follow the head of a parcel of plain_bytes, digests included."""
    return clear_bytes(plain_bytes) if seal is Seal.CLEAR else sealed_bytes(plain_bytes)


def coverer(seal: Seal, key: bytes, salt: bytes, plain_bytes: int) -> Coverer:
    """Return what covers the records of one parcel."""
    if seal is Seal.CLEAR:
        return ClearSealer(key, plain_bytes)
    return Sealer(key, salt, plain_bytes)


def uncoverer(seal: Seal, key: bytes, salt: bytes, plain_bytes: int) -> Uncoverer:
    """Return what checks, and if need be opens, the records of one parcel."""
    if seal is Seal.CLEAR:
        return ClearOpener(key, plain_bytes)
    return Opener(key, salt, plain_bytes)
