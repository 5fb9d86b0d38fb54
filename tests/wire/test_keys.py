"""Keys of a lane: every place has its own."""

from syncd.wire.keys import DIALLER, LISTENER, LaneKeys, Seal, parcel_salt

KEY = b"k" * 16
NONCE = b"n" * 16
TICKET = b"t" * 16


def test_every_place_on_every_lane_has_keys_of_its_own() -> None:
    """What was recorded fits no other direction, turn, head, session, lane, mode or use."""
    keys = LaneKeys(KEY, nonce=NONCE)
    others = [
        LaneKeys(b"l" * 16, nonce=NONCE),
        LaneKeys(KEY, nonce=b"o" * 16),
        LaneKeys(KEY, Seal.CLEAR, nonce=NONCE),
    ]
    derived = [
        keys.parcel_key(LISTENER, 1, b"head"),
        keys.parcel_key(DIALLER, 2, b"head"),
        keys.parcel_key(DIALLER, 1, b"tail"),
        keys.parcel_key(DIALLER, 1, b"head"),
        *(each.parcel_key(DIALLER, 1, b"head") for each in others),
        keys.frame_key(LISTENER),
        keys.frame_key(DIALLER),
        *(each.frame_key(DIALLER) for each in others),
        keys.proof(TICKET),
        keys.proof(b"u" * 16),
        *(each.proof(TICKET) for each in others),
    ]
    assert len({made[:16] for made in derived}) == len(derived)
    assert parcel_salt(1) != parcel_salt(2)


def test_both_ends_come_to_the_same_keys() -> None:
    """One from the ticket that it was given, the other from the one that it issued."""
    here, there = LaneKeys(KEY).for_session(NONCE), LaneKeys(KEY, nonce=NONCE)
    assert here.proof(TICKET) == there.proof(TICKET)
    assert here.frame_key(LISTENER) == there.frame_key(LISTENER)
    assert here.parcel_key(DIALLER, 9, b"head") == there.parcel_key(DIALLER, 9, b"head")
