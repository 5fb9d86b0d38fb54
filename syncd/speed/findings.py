"""What the figures mean: which part is the narrowest, what would widen it, how long things take.

Owns: these judgements, and the words for them. Must not: measure, read a clock, or do I/O.

A hand-off's parts work at once, so the slowest one sets the pace. Reading back and hashing what was
read take turns in one thread, so these two count together. How well a storage writes and reads at
the same time is not measured; that is what lies between the two ends of an estimate.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from syncd.speed.arithmetic import TOLERANCE, USB2_MBIT, in_turns, payload_rate
from syncd.wire.messages import CableFacts, DiskFacts

FULL_SHARE = 0.9  # of what arithmetic allows: a cable that carries so much is full


class Stage(StrEnum):
    """The parts of a hand-off, in their order."""

    SOURCE_READ = "source-read"
    HASHING = "hashing"
    CABLE = "cable"
    STORAGE_WRITE = "storage-write"
    READ_BACK = "read-back"


WORDS = {
    Stage.SOURCE_READ: "reading the source",
    Stage.HASHING: "hashing",
    Stage.CABLE: "the cable",
    Stage.STORAGE_WRITE: "writing to the storage",
    Stage.READ_BACK: "reading back",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part that was measured, or could not be.

    box: where; "" for the cable. what: the algorithm, the roll that was read, sealed or clear.
    rate: bytes per second; None: not measured, note says why. limit: what arithmetic allows.
    """

    stage: Stage
    box: str = ""
    what: str = ""
    rate: float | None = None
    total_bytes: int = 0
    elapsed_s: float = 0.0
    limit: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What both boxes say of cables and disks. source, storage: the boxes' names."""

    source: str
    storage: str
    source_cable: CableFacts = field(default_factory=CableFacts)
    storage_cable: CableFacts = field(default_factory=CableFacts)
    source_disk: DiskFacts = field(default_factory=DiskFacts)
    storage_disk: DiskFacts = field(default_factory=DiskFacts)

    def ends(self) -> Iterator[tuple[str, CableFacts]]:
        """Yield both ends of the cable."""
        yield self.source, self.source_cable
        yield self.storage, self.storage_cable

    def disks(self) -> Iterator[tuple[str, str, DiskFacts]]:
        """Yield box, name and facts of both disks."""
        yield self.source, "landing", self.source_disk
        yield self.storage, "storage", self.storage_disk


@dataclass(frozen=True, slots=True)
class Told:
    """Something that a person should know: a word for scripts, what is so, and what to do."""

    code: str
    message: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Narrowest:
    """The part that sets the pace: how fast that is, and what would widen it."""

    part: Part
    rate: float
    remedy: str


@dataclass(frozen=True, slots=True)
class Estimate:
    """How long an amount takes until it is ready: from, if all parts work at once; to, if not."""

    total_bytes: int
    least_s: float
    most_s: float


def cable_limit(around: Surroundings) -> float | None:
    """Return the most that the cable can carry, by what its slower end says; None: not known."""
    rates = [payload_rate(end.mbit, end.mtu, ipv6=end.ipv6) for _, end in around.ends()]
    return min((rate for rate in rates if rate), default=None)


def narrowest(parts: Sequence[Part], around: Surroundings) -> Narrowest | None:
    """Return what sets the pace; None if nothing was measured."""
    paces = _paces(parts, around.storage)
    if not paces:
        return None
    part, rate = min(paces, key=lambda pace: pace[1])
    return Narrowest(part, rate, _widening(part, rate, parts, around))


def estimate(parts: Sequence[Part], around: Surroundings, total_bytes: int) -> Estimate | None:
    """Return how long total_bytes take; None as long as one of the later parts is not measured."""
    paces = _paces(parts, around.storage)
    stages = {part.stage for part, _ in paces}
    back = [rate for part, rate in paces if _is_of_read_back(part, around.storage)]
    others = [rate for part, rate in paces if not _is_of_read_back(part, around.storage)]
    if not {Stage.CABLE, Stage.STORAGE_WRITE} <= stages or not back:
        return None
    # The other end: read back only when all of it is written, as a roll of one single file is.
    slowest = in_turns(min(others), *back)
    return Estimate(total_bytes, total_bytes / min(*others, *back), total_bytes / slowest)


def warnings(parts: Sequence[Part], around: Surroundings) -> list[Told]:
    """Return the mistakes that are made again and again, as far as they show here."""
    found = [*_of_cables(around), *_of_disks(around)]
    by_stage = {part.stage: part.rate for part in parts if part.rate is not None}
    cable = by_stage.get(Stage.CABLE)
    limit = cable_limit(around)
    if cable is not None and limit is not None and cable > limit * TOLERANCE:
        found.append(
            Told(
                "faster-than-the-cable",
                f"{_mb(cable)} were measured on a cable that can carry {_mb(limit)} at most.",
                "Do not believe this figure: see over which interface the boxes really talk.",
            )
        )
    found += _slow_storage(by_stage, cable, around.storage)
    return found


def _paces(parts: Sequence[Part], storage: str) -> list[tuple[Part, float]]:
    """Return every part's own pace; the hashing on the storage's box goes with reading back."""
    measured = [part for part in parts if part.rate is not None]
    turns = [part for part in measured if _is_of_read_back(part, storage)]
    paces = [(part, part.rate or 0.0) for part in measured if part not in turns]
    if any(part.stage is Stage.READ_BACK for part in turns):
        slower = min(turns, key=lambda part: part.rate or 0.0)
        paces.append((slower, in_turns(*(part.rate or 0.0 for part in turns))))
    return paces


def _is_of_read_back(part: Part, storage: str) -> bool:
    is_hashed_there = part.stage is Stage.HASHING and part.box == storage
    return part.stage is Stage.READ_BACK or is_hashed_there


def _widening(part: Part, rate: float, parts: Sequence[Part], around: Surroundings) -> str:
    """Say what would make the narrowest part wider."""
    if part.stage is Stage.CABLE:
        return _wider_cable(part, around)
    if part.stage is Stage.HASHING:
        return _faster_hash(part, parts)
    is_source = part.stage is Stage.SOURCE_READ
    disk = around.source_disk if is_source else around.storage_disk
    if 0 < disk.usb_mbit <= USB2_MBIT:
        return "A USB 3 port, with a cable and a reader that are made for it."
    if is_source:
        return "A faster disk for the landing, or another port for it."
    if part.stage is Stage.READ_BACK and part.rate is not None and part.rate > 1.25 * rate:
        return "Faster disks in the storage; reading back and hashing take turns there."
    return "Faster disks in the storage, more of them, or less that uses them meanwhile."


def _wider_cable(part: Part, around: Surroundings) -> str:
    if any(end.kind == "wireless" for _, end in around.ends()):
        return "A cable."
    if around.source_cable.kind == "own":
        return "Faster processors: both ends are on one machine, and no cable is between them."
    if part.limit is None:
        return "A faster cable and interfaces; or less that uses cable and processors meanwhile."
    if part.rate is not None and part.rate >= FULL_SHARE * part.limit:
        mbit = min(end.mbit for _, end in around.ends() if end.mbit)
        return f"It is full. More than {_bits(mbit)} at both ends, and in a switch between them."
    sealed = part.what == "sealed"
    clear = " On a cable of its own, [[clear]] spares the processors the sealing." if sealed else ""
    return (
        f"Arithmetic allows {_mb(part.limit)}. See what else uses cable and processors, and what "
        f"errors the interfaces count.{clear}"
    )


def _faster_hash(part: Part, parts: Sequence[Part]) -> str:
    fast = [
        each
        for each in parts
        if each.stage is Stage.HASHING and each.box == part.box and each.rate and part.rate
    ]
    best = max(fast, key=lambda each: each.rate or 0.0, default=part)
    if best.what != part.what and best.rate and part.rate and best.rate > 2 * part.rate:
        times = best.rate / part.rate
        return f"Evidence in {best.what} in place of {part.what}: {times:.0f} times as fast here."
    return f"Faster processors in {part.box}, or less that uses them meanwhile."


def _of_cables(around: Surroundings) -> Iterator[Told]:
    can = [end.can_mbit for _, end in around.ends() if end.can_mbit]
    for box, end in around.ends():
        if end.kind == "wireless":
            yield Told(
                "wireless",
                f"{box} reaches the other box over {end.interface}, without a cable.",
                "Plug the cable in, and see that both ends have addresses of its network.",
            )
        if end.half_duplex:
            yield Told(
                "half-duplex",
                f"{end.interface} on {box} runs at half duplex: it sends or receives, never both.",
                "Let both ends, and a switch between them, find the rate by themselves.",
            )
        if 0 < end.mbit < end.can_mbit:
            common = min(can) if len(can) == 2 else 0
            yield _slow_link(box, end, is_proved=common > end.mbit, is_both=len(can) == 2)


def _slow_link(box: str, end: CableFacts, *, is_proved: bool, is_both: bool) -> Told:
    runs, could = _bits(end.mbit), _bits(end.can_mbit)
    message = f"{end.interface} on {box} runs at {runs}, and could at {could}."
    if is_proved:
        remedy = "So could the other end: change the cable (Cat 6A), or the switch between them."
    elif is_both:
        remedy = f"The other end cannot do more than {runs}: use another port there."
    else:
        remedy = "See that cable (Cat 6A), switch and the other end are made for that rate."
    return Told("slow-link", message, remedy)


def _of_disks(around: Surroundings) -> Iterator[Told]:
    for box, name, disk in around.disks():
        if 0 < disk.usb_mbit <= USB2_MBIT:
            yield Told(
                "usb-2",
                f"The {name} of {box} hangs on USB 2: {disk.usb_mbit} Mb/s, "
                f"{_mb(disk.usb_mbit * 125_000)} at the very most.",
                "Use a USB 3 port, and a cable and a reader that are made for it.",
            )


def _slow_storage(rates: dict[Stage, float], cable: float | None, box: str) -> Iterator[Told]:
    both = [(rates[s], s) for s in (Stage.STORAGE_WRITE, Stage.READ_BACK) if s in rates]
    rate, stage = min(both, default=(0.0, Stage.CABLE))
    if cable is not None and both and rate < cable / TOLERANCE:
        yield Told(
            "storage-slower-than-cable",
            f"The storage of {box} is slower than the cable: {WORDS[stage]} {_mb(rate)}, "
            f"the cable {_mb(cable)}.",
            "Faster disks in the storage, or more of them; a faster cable would not help.",
        )


def _mb(rate: float) -> str:
    return f"{rate / 1e6:,.0f} MB/s" if rate >= 9.95e6 else f"{rate / 1e6:.2g} MB/s"


def _bits(mbit: int) -> str:
    return f"{mbit / 1000:g} Gb/s" if mbit >= 1000 else f"{mbit} Mb/s"
