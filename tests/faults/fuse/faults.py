"""What a faulty file system may be told to do wrong, and how that is written down.

Owns: the form of a fault, and the control file in which a test hands faults to the file system.
"""

import errno
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    op: the operation it hits: write, read, fsync, fsyncdir, create, mkdir, rename, unlink, getattr,
        readdir, statfs; or "any".
    kind: "error": it answers errno; "stall": it waits stall_s and then does as it should;
        "drop": a write says yes, and nothing is written; "flip": a write says yes, and the byte in
        its middle is wrong on the medium; "die": the server loses what was not synced, and ends.
    part: only paths that contain this. skip: so many matching operations pass before.
    times: so many are hit, then none; 0: all.
    """

    op: str
    kind: str
    errno: int = errno.EIO
    stall_s: float = 0.0
    part: str = ""
    skip: int = 0
    times: int = 1

    def matches(self, op: str, path: str) -> bool:
        """Tell whether an operation is meant, counts left aside."""
        return self.op in {op, "any"} and self.part in path


def save(control: Path, faults: list[Fault]) -> None:
    """Hand faults over; they replace the earlier ones, and count from anew."""
    beside = control.with_suffix(".new")
    beside.write_text(json.dumps([asdict(fault) for fault in faults]))
    os.replace(beside, control)


def load(control: Path) -> list[Fault]:
    """Return the faults that hold now."""
    return [Fault(**plain) for plain in json.loads(control.read_text())]
