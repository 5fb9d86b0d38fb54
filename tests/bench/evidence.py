"""Hand-offs with evidence in md5, sha1, xxh64, xxh128 and c4, against hashing alone, in one run.

XXH128 is taken of everything anyway, so a hand-off with such evidence is what the transfer costs.
What another algorithm adds would be hidden if all cores that are left hashed beside the transfer:
from the first byte on, the time is then the longest of the transfer's own, of hashing alone (as
many files at a time as are read back at a time), and of all work shared by all cores. That is the
goal, with some slack.
All of it is in memory, so that no disk is in the way.
"""

import hashlib
import os
import shutil
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xxhash

from syncd.roll.digests import c4_text
from syncd.storage.keeper import WORKERS_DEFAULT
from tests.bench.handing import ReadyBell, wait_idle
from tests.bench.history import write_history
from tests.bench.table import Table
from tests.bench.trace import Passed, read_trace
from tests.bench.traced import trace
from tests.bench.usage import spread, usage_of
from tests.bench.workplace import MEMORY, check_room, workplace
from tests.boxes import Pair, place_roll

ROUNDS = 3
TOTAL_BYTES, TOTAL_BYTES_SMALL = 2 << 30, 128 << 20
CLIPS = (1, 8)
PIECE_BYTES = 4 << 20
GOAL = 1.25
NAME = "A012"
BASE = "xxh128"
HASHERS: dict[str, Callable[[], Any]] = {
    BASE: xxhash.xxh3_128,
    "xxh64": xxhash.xxh64,
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "c4": hashlib.sha512,
}
SMALL = (BASE, "md5", "c4")


@dataclass(frozen=True, slots=True)
class Handed:
    """One hand-off.

    first_s: until the storage wrote the first byte, before which there is nothing to hash.
    cpu_s: of both daemons. early: the part that was read back before all had come.
    """

    seconds: float
    first_s: float
    cpu_s: float
    early: float


@dataclass(frozen=True, slots=True)
class Staged:
    """Clips on the landing's file system. digests: size and text by path, by algorithm."""

    folder: Path
    total_bytes: int
    digests: Mapping[str, Mapping[str, tuple[int, str]]]


def run(*, small: bool = False) -> Table:
    """Measure a roll of one clip and one of eight."""
    total_bytes, rounds = (TOTAL_BYTES_SMALL, 1) if small else (TOTAL_BYTES, ROUNDS)
    algorithms = SMALL if small else tuple(HASHERS)
    table = Table(
        "hand-off by algorithm of the evidence",
        (
            *("clips", "evidence", "hash alone MB/s", "hand-off MB/s", "seconds", "least", "worst"),
            *("cores busy", "read back early %", "could be s", "ratio", "goal"),
        ),
    )
    check_room(MEMORY, 2 * total_bytes)
    alone: dict[str, list[float]] = {algorithm: [] for algorithm in algorithms}
    for clips in CLIPS:
        handed: dict[str, list[Handed]] = {algorithm: [] for algorithm in algorithms}
        with workplace(MEMORY) as folder:
            staged = stage(folder / NAME, total_bytes // clips, clips, algorithms)
            for _ in range(rounds):
                for algorithm in algorithms:
                    alone[algorithm].append(hash_alone(algorithm, staged))
                    handed[algorithm].append(hand_over(folder, staged, algorithm))
        _fill(table, clips, total_bytes, alone, handed)
    table.notes.append(f"{rounds} rounds, all algorithms in each; seconds: median, least and most")
    table.notes.append("cores busy: of both daemons; early: before the last byte had come")
    table.notes.append(f"could be: as above; the goal for the ratio to that is {GOAL}")
    return table


def stage(folder: Path, clip_bytes: int, clips: int, algorithms: Sequence[str]) -> Staged:
    """Make clips of random bytes, and hash them."""
    (folder / "Clips").mkdir(parents=True)
    block = os.urandom(min(clip_bytes, PIECE_BYTES * 4))
    digests: dict[str, dict[str, tuple[int, str]]] = {each: {} for each in algorithms}
    for number in range(clips):
        path = f"Clips/{NAME}C{number:03}.mov"
        hashers = {algorithm: HASHERS[algorithm]() for algorithm in algorithms}
        with (folder / path).open("wb") as file:
            for start in range(0, clip_bytes, len(block)):
                tag = f"{number}:{start}".encode()
                piece = (tag + block[len(tag) :])[: clip_bytes - start]
                file.write(piece)
                for hasher in hashers.values():
                    hasher.update(piece)
        for algorithm, hasher in hashers.items():
            text = c4_text(hasher.digest()) if algorithm == "c4" else hasher.hexdigest()
            digests[algorithm][path] = (clip_bytes, text)
    return Staged(folder, clip_bytes * clips, digests)


def hash_alone(algorithm: str, staged: Staged) -> float:
    """Hash as many bytes as the roll has, from memory, in one thread; return the seconds."""
    piece = os.urandom(PIECE_BYTES)
    hasher = HASHERS[algorithm]()
    began_s = time.monotonic()
    for _ in range(staged.total_bytes // PIECE_BYTES):
        hasher.update(piece)
    hasher.digest()
    return time.monotonic() - began_s


def hand_over(folder: Path, staged: Staged, algorithm: str) -> Handed:
    """Have a pair of its own hand the clips over with evidence in algorithm; put them back."""
    write_history(staged.folder, staged.digests[algorithm], algorithm)
    pair = Pair(folder / "pair")
    _, written, read_back = trace(pair, folder / "pair")
    with pair:
        wait_idle(pair)
        before_s = _cpu_s(pair)
        with ReadyBell(pair.offload) as bell:
            began_s = time.monotonic()
            placed = place_roll(staged.folder, pair.landing, NAME)
            seconds = bell.wait(NAME) - began_s
        cpu_s = _cpu_s(pair) - before_s
    came = read_trace(written)
    early = early_part(came, read_trace(read_back))
    placed.rename(staged.folder)
    shutil.rmtree(staged.folder / "ascmhl")
    shutil.rmtree(folder / "pair")
    print(f"{algorithm}: {seconds:.2f} s", file=sys.stderr)
    return Handed(seconds, came[0].at_s - began_s, cpu_s, early)


def _cpu_s(pair: Pair) -> float:
    processes = (pair.offload.process, pair.processing.process)
    return sum(usage_of(process.pid).cpu_s for process in processes if process is not None)


def early_part(written: Sequence[Passed], read_back: Sequence[Passed]) -> float:
    """Return which part of what was read back was so before the storage began its last write."""
    last_s = written[-1].at_s
    early = sum(one.length_bytes for one in read_back if one.at_s <= last_s)
    return early / sum(one.length_bytes for one in read_back)


def could_be_s(base: Handed, alone_s: float, clips: int, cores: int) -> float:
    """Return how long it would take if all that is to be hashed were so beside the transfer."""
    at_once = min(clips, WORKERS_DEFAULT, cores)
    moving_s = base.seconds - base.first_s
    longest_s = max(moving_s, alone_s / at_once, (base.cpu_s + alone_s) / cores)
    return base.first_s + longest_s


def _fill(
    table: Table,
    clips: int,
    total_bytes: int,
    alone: Mapping[str, Sequence[float]],
    handed: Mapping[str, Sequence[Handed]],
) -> None:
    middles = {algorithm: _middle(found) for algorithm, found in handed.items()}
    for algorithm, found in handed.items():
        alone_s, one = statistics.median(alone[algorithm]), middles[algorithm]
        seconds, least, worst = spread([each.seconds for each in found])
        added_s = 0.0 if algorithm == BASE else alone_s
        best_s = could_be_s(middles[BASE], added_s, clips, os.cpu_count() or 1)
        table.add(
            *(clips, algorithm, total_bytes / alone_s / 1e6, total_bytes / seconds / 1e6),
            *(seconds, least, worst, one.cpu_s / one.seconds, 100 * one.early, best_s),
            *(seconds / best_s, GOAL),
        )
        if seconds > GOAL * best_s:
            told = f"{seconds:.2f} s where {best_s:.2f} s could be"
            table.missed.append(f"{clips} clips with evidence in {algorithm}: {told}")


def _middle(found: Sequence[Handed]) -> Handed:
    """Return the medians."""
    return Handed(
        statistics.median(each.seconds for each in found),
        statistics.median(each.first_s for each in found),
        statistics.median(each.cpu_s for each in found),
        statistics.median(each.early for each in found),
    )
