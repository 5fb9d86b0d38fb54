"""Who has been told the keys of tickets reads what is said on a lane; for tests that look on."""

from collections.abc import Mapping

from syncd.wire.frame_seal import FrameOpener
from syncd.wire.frames import LENGTH_BYTES
from syncd.wire.keys import DIALLER, LISTENER, TAG_BYTES, LaneKeys
from syncd.wire.lane_events import Event, LaneHello, LaneNonce, decode


class Told:
    """Reads one connection, on which nobody but him knows that he does.

    keys: by ticket; looked up when a greeting shows one. Ends are called DIALLER and LISTENER.
    """

    def __init__(self, keys: Mapping[bytes, LaneKeys]) -> None:
        self._keys = keys
        self._nonce = b""
        self._greeted: set[bytes] = set()
        self._openers: dict[bytes, FrameOpener] = {}

    def tag_bytes(self, speaker: bytes) -> int:
        """Return how many bytes the next frame of speaker has behind what its length says."""
        return TAG_BYTES if speaker in self._greeted else 0

    def read(self, speaker: bytes, frame: bytes) -> Event | None:
        """Return what speaker's next frame says, length and tag included; None: no key is known.

        Raises SealBrokenError if it is another one.
        """
        prefix, sealed = frame[:LENGTH_BYTES], frame[LENGTH_BYTES:]
        if speaker not in self._greeted:
            return self._greeting(speaker, decode(sealed))
        opener = self._openers.get(speaker)
        return None if opener is None else decode(opener.open(prefix, sealed))

    def is_frame(self, speaker: bytes, data: bytes) -> bool:
        """Tell whether data is as long as a frame that begins like it."""
        length = int.from_bytes(data[:LENGTH_BYTES], "big")
        return len(data) == LENGTH_BYTES + length + self.tag_bytes(speaker)

    def _greeting(self, speaker: bytes, event: Event) -> Event:
        self._greeted.add(speaker)
        if isinstance(event, LaneNonce):
            self._nonce = event.nonce
        elif isinstance(event, LaneHello) and event.ticket in self._keys:
            session = self._keys[event.ticket].for_session(self._nonce)
            self._openers = {
                way: FrameOpener(session.frame_key(way)) for way in (DIALLER, LISTENER)
            }
        return event
