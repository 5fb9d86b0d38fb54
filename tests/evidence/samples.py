"""Rolls in memory, and evidence in the forms in which other tools write it.

The manifests are written here by hand in the words of the specification, not by syncd's writer.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import xxhash

from syncd.evidence.ascmhl_write import NewFile
from syncd.evidence.verdict import RollView
from syncd.roll.digests import c4_text

DAY = "2026-03-14_D12"
NAME = "A012"
CLIPS = {
    "CLIPS/A012C001.mov": b"one" * 100,
    "CLIPS/A012C002.mov": b"two" * 100,
    "Sidecar.txt": b"sound on S003\n",
}
CHAIN = "ascmhl/ascmhl_chain.xml"
IGNORE = (".DS_Store", "ascmhl", "ascmhl/")


@dataclass(frozen=True, slots=True)
class Seen:
    """One file as a scan would see it."""

    path: str
    size_bytes: int
    mtime_ns: int = 1_773_480_000_000_000_000


@dataclass
class Roll:
    """A roll in memory: what is in it and what lies beside it."""

    files: dict[str, bytes] = field(default_factory=lambda: dict(CLIPS))
    beside: dict[str, bytes] = field(default_factory=dict)
    folders: tuple[str, ...] = ()
    reads: list[str] = field(default_factory=list)

    def read(self, path: str) -> bytes:
        """Give a file of the roll, and remember that it was asked for."""
        self.reads.append(path)
        return self.files[path]

    def view(self) -> RollView:
        """Return what a scan would have seen."""
        folders = {
            "/".join(p.split("/")[:n]) for p in self.files for n in range(1, p.count("/") + 1)
        }
        return RollView(
            day=DAY,
            name=NAME,
            files=tuple(Seen(path, len(data)) for path, data in sorted(self.files.items())),
            folders=tuple(sorted(folders | set(self.folders))),
            beside=tuple(Seen(path, len(data)) for path, data in sorted(self.beside.items())),
            read=self.read,
            read_beside=self.beside.__getitem__,
        )

    def without(self, path: str) -> "Roll":
        """Return the roll without one file."""
        rest = {name: data for name, data in self.files.items() if name != path}
        return replace(self, files=rest)


def md5(data: bytes) -> str:
    """Return the MD5 of data as text."""
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


def xxh64(data: bytes) -> str:
    """Return the XXH64 of data as text."""
    return xxhash.xxh64_hexdigest(data)


def c4(data: bytes) -> str:
    """Return the C4 ID of data."""
    return c4_text(hashlib.sha512(data).digest())


def gnu(files: dict[str, bytes], prefix: str = "") -> bytes:
    """Return what `md5sum` prints."""
    lines = (f"{md5(data)}  {prefix}{path}\n" for path, data in sorted(files.items()))
    return "".join(lines).encode()


def record(path: str, data: bytes, action: str = "original", extra: str = "") -> str:
    """Return one `hash` of a manifest."""
    return (
        f'<hash><path size="{len(data)}">{path}</path>'
        f'<xxh64 action="{action}">{xxh64(data)}</xxh64>{extra}</hash>\n'
    )


def manifest(
    records: Iterable[str],
    *,
    ignore: Iterable[str] = IGNORE,
    references: dict[str, bytes] | None = None,
    process: str = "in-place",
) -> bytes:
    """Return an ASC MHL manifest. references: manifests of nested histories, by path."""
    patterns = "".join(f"<pattern>{pattern}</pattern>" for pattern in ignore)
    pairs = "".join(
        f"<hashlistreference><path>{path}</path><c4>{c4(data)}</c4></hashlistreference>"
        for path, data in (references or {}).items()
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">'
        "<creatorinfo><creationdate>2026-03-14T10:00:00+00:00</creationdate>"
        "<hostname>cart</hostname><tool>a tool</tool></creatorinfo>"
        f"<processinfo><process>{process}</process><ignore>{patterns}</ignore></processinfo>\n"
        f"<hashes>{''.join(records)}</hashes>"
        + (f"<references>{pairs}</references>" if pairs else "")
        + "</hashlist>\n"
    ).encode()


def chain(manifests: dict[str, bytes]) -> bytes:
    """Return a chain over manifests, by name in order."""
    entries = "".join(
        f'<hashlist sequencenr="{number}"><path>{name}</path><c4>{c4(data)}</c4></hashlist>\n'
        for number, (name, data) in enumerate(manifests.items(), 1)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">{entries}</ascmhldirectory>\n'
    ).encode()


def history(*manifests: bytes, scope: str = "") -> dict[str, bytes]:
    """Return the files of a history with these generations, by path in the roll."""
    names = [f"{number:04}_A012_2026-03-14_1000{number:02}Z.mhl" for number in range(1, 99)]
    named = dict(zip(names, manifests, strict=False))
    folder = f"{scope}/ascmhl" if scope else "ascmhl"
    files = {f"{folder}/{name}": data for name, data in named.items()}
    return files | {f"{folder}/ascmhl_chain.xml": chain(named)}


def records(files: dict[str, bytes]) -> list[str]:
    """Return a record for each file."""
    return [record(path, data) for path, data in sorted(files.items())]


@dataclass(frozen=True)
class Written:
    """One file of a generation, as it would lie on the storage."""

    path: str
    data: bytes


def written(new: Iterable[NewFile]) -> list[Written]:
    """Take a generation as whoever writes it to a disk does."""
    return [Written(file.path, b"".join(file.parts)) for file in new]
