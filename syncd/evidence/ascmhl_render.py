"""ASC MHL as text: one manifest, one chain, in the element order of Appendix A.

Owns: the XML and its escapes. Must not: decide what a manifest says; see ascmhl_write.py.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.sax.saxutils import escape, quoteattr

from syncd.evidence.ascmhl_model import (
    CHAIN_NAMESPACE,
    FORMATS,
    MANIFEST_NAMESPACE,
    Action,
    ChainEntry,
    FileRecord,
    Manifest,
)
from syncd.roll.digests import Digest
from syncd.roll.names import shown

_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_LINES_PER_PART = 2000
_RANK = {algorithm: place for place, algorithm in enumerate(FORMATS)}


@dataclass(frozen=True, slots=True)
class Creator:
    """Who writes, and when the operation began."""

    host_name: str
    tool_version: str
    started_utc_ms: int

    @property
    def date(self) -> str:
        """The start as xs:dateTime, in UTC."""
        return _instant(self.started_utc_ms).isoformat(timespec="seconds")

    @property
    def stamp(self) -> str:
        """The start as manifest names have it."""
        return _instant(self.started_utc_ms).strftime("%Y-%m-%d_%H%M%SZ")


def render_manifest(
    manifest: Manifest, files: Iterable[tuple[FileRecord, int]], creator: Creator
) -> Iterator[bytes]:
    """Write a manifest, part by part.

    files: its records, instead of manifest.files, each with its modification time in ns.
    """
    part: list[str] = []
    for line in _manifest_lines(manifest, files, creator):
        part.append(line)
        if len(part) == _LINES_PER_PART:
            yield "\n".join([*part, ""]).encode()
            part.clear()
    yield "\n".join([*part, ""]).encode()


def _manifest_lines(
    manifest: Manifest, files: Iterable[tuple[FileRecord, int]], creator: Creator
) -> Iterator[str]:
    yield f'{_HEAD}<hashlist version="2.0" xmlns="{MANIFEST_NAMESPACE}">'
    yield "  <creatorinfo>"
    yield f"    <creationdate>{creator.date}</creationdate>"
    yield f"    <hostname>{_text(shown(creator.host_name))}</hostname>"
    yield f"    <tool version={quoteattr(shown(creator.tool_version))}>syncd</tool>"
    yield "  </creatorinfo>"
    yield "  <processinfo>"
    yield f"    <process>{manifest.process}</process>"
    yield from _directory_lines("    ", "roothash", manifest.root_content, manifest.root_structure)
    yield "    <ignore>"
    yield from (f"      <pattern>{_text(pattern)}</pattern>" for pattern in manifest.ignore)
    yield "    </ignore>"
    yield "  </processinfo>"
    yield "  <hashes>"
    for record, mtime_ns in files:
        yield from _file_lines(record, mtime_ns, creator.date)
    for folder in manifest.folders:
        yield "    <directoryhash>"
        yield f"      <path>{_text(folder.path)}</path>"
        yield from _content_lines("      ", folder.content, folder.structure)
        yield "    </directoryhash>"
    yield "  </hashes>"
    if manifest.references:
        yield "  <references>"
        for reference in manifest.references:
            yield from _pair_lines("hashlistreference", reference.path, reference.c4)
        yield "  </references>"
    yield "</hashlist>"


def render_chain(entries: Iterable[ChainEntry]) -> bytes:
    """Write a chain."""
    lines = [f'{_HEAD}<ascmhldirectory xmlns="{CHAIN_NAMESPACE}">']
    for entry in entries:
        lines += _pair_lines(f'hashlist sequencenr="{entry.number}"', entry.name, entry.c4)
    return "\n".join([*lines, "</ascmhldirectory>", ""]).encode()


def _file_lines(record: FileRecord, mtime_ns: int, date: str) -> Iterator[str]:
    modified = _mtime(mtime_ns)
    attributes = f' size="{record.size_bytes}"'
    if modified:
        attributes += f' lastmodificationdate="{modified}"'
    yield "    <hash>"
    yield f"      <path{attributes}>{_text(record.path)}</path>"
    for digest, action in sorted(record.digests, key=lambda pair: _RANK[pair[0].algorithm]):
        yield f"      {_digest(digest, action, date)}"
    yield "    </hash>"


def _digest(digest: Digest, action: Action, date: str) -> str:
    name = digest.algorithm.value
    return f'<{name} action="{action}" hashdate="{date}">{digest.text}</{name}>'


def _directory_lines(
    indent: str, name: str, content: tuple[Digest, ...], structure: tuple[Digest, ...]
) -> Iterator[str]:
    if content:
        yield f"{indent}<{name}>"
        yield from _content_lines(f"{indent}  ", content, structure)
        yield f"{indent}</{name}>"


def _content_lines(
    indent: str, content: tuple[Digest, ...], structure: tuple[Digest, ...]
) -> Iterator[str]:
    for name, digests in (("content", content), ("structure", structure)):
        inside = "".join(f"<{d.algorithm}>{d.text}</{d.algorithm}>" for d in digests)
        yield f"{indent}<{name}>{inside}</{name}>"


def _pair_lines(element: str, path: str, c4: Digest) -> list[str]:
    name = element.partition(" ")[0]
    return [
        f"    <{element}>",
        f"      <path>{_text(path)}</path>",
        f"      <c4>{c4.text}</c4>",
        f"    </{name}>",
    ]


def _text(text: str) -> str:
    """Escape text; a carriage return would be read back as a line feed."""
    return escape(text, {"\r": "&#13;"})


def _instant(utc_ms: int) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1000, UTC)


def _mtime(mtime_ns: int) -> str:
    """Return a file's time as xs:dateTime, or "" if the calendar has none for it."""
    try:
        return datetime.fromtimestamp(mtime_ns // 10**9, UTC).isoformat(timespec="seconds")
    except (OverflowError, ValueError, OSError):
        return ""
