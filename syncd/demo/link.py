"""The way from the offload to the processing box, and how the demo breaks it.

Owns: the choice: a cable between two loopback addresses where the system has two; else no cable,
and the processing daemon is killed and started again in place of the cut.
"""

from contextlib import suppress
from typing import Protocol

from syncd.demo.boxes import FAR, Box
from syncd.demo.cable import GIGABIT_BYTES_PER_S, Cable

NEARS = ("127.0.0.2", "::1")  # Linux has both, macOS the second


class Link(Protocol):
    """What the story needs of the way."""

    what_it_is: str
    what_a_cut_is: str
    lanes: int

    @property
    def carried_bytes(self) -> int:
        """What left the offload box on this way so far."""

    def cut(self) -> None:
        """Break it."""

    def join(self) -> None:
        """Mend it."""

    def set_pace(self, share: float) -> str:
        """Let it carry a share of its rate; returns what to say of that, if it can."""

    def close(self) -> None:
        """Leave nothing behind."""


class CableLink:
    """A relay in this process, at the pace of 1 Gb/s Ethernet."""

    what_it_is = "a cable of 1 Gb/s"
    what_a_cut_is = "the cable is cut in mid-roll"
    lanes = 2

    def __init__(self, near: str, processing: Box) -> None:
        self.host = near
        self.cable = Cable(near, FAR, (processing.ports.control, processing.ports.bulk))

    @property
    def carried_bytes(self) -> int:
        """What the cable itself counted."""
        return self.cable.carried_bytes

    def cut(self) -> None:
        """Reset every connection and refuse new ones."""
        self.cable.cut()

    def join(self) -> None:
        """Plug it in again."""
        self.cable.join()

    def set_pace(self, share: float) -> str:
        """Slow the cable down, or with 1 let it be what it is."""
        self.cable.bytes_per_s = share * GIGABIT_BYTES_PER_S
        return f"the cable is set to {share:g} Gb/s for this step, so that it can be watched"

    def close(self) -> None:
        """End its threads."""
        self.cable.close()


class PowerLink:
    """No cable: the processing daemon itself is killed, as by a power failure.

    One lane, because without the cable's pace two would have all of a small roll under way at once.
    """

    what_it_is = "loopback"
    what_a_cut_is = "the processing daemon is killed (kill -9) in mid-roll"
    lanes = 1
    host = FAR

    def __init__(self, offload: Box, processing: Box) -> None:
        self._offload = offload
        self._processing = processing

    @property
    def carried_bytes(self) -> int:
        """What the offload box says that it sent."""
        return self._offload.api.metric("syncd_sent_bytes_total")

    def cut(self) -> None:
        """Kill it."""
        self._processing.kill()

    def join(self) -> None:
        """Start it again."""
        self._processing.start()

    def set_pace(self, share: float) -> str:  # noqa: ARG002 - the other link has a pace
        """Loopback has no pace."""
        return ""

    def close(self) -> None:
        """Leave the daemon to whoever owns it."""


def make_link(offload: Box, processing: Box) -> CableLink | PowerLink:
    """Return a cable where there is a second loopback address to listen on, else a power switch."""
    for near in NEARS:
        with suppress(OSError):
            return CableLink(near, processing)
    return PowerLink(offload, processing)
