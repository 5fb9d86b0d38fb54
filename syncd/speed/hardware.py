"""What a box can say of its own cables and disks. Only a shape; edges/hardware.py has the real."""

from typing import Protocol

from syncd.wire.messages import CableFacts, DiskFacts


class Hardware(Protocol):
    """Asked aside: both may block shortly. What is not known is empty or 0."""

    def cable_to(self, host: str) -> CableFacts:
        """Say over which interface this box reaches host, and how that runs."""

    def disk_of(self, path: str) -> DiskFacts:
        """Say how the disk is connected on which a folder lies."""
