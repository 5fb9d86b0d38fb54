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


def render_manifest(manifest: Manifest, mtimes_ns: dict[str, int], creator: Creator) -> bytes:
    """Write a manifest. mtimes_ns: modification times by path, for those that have one."""
    lines = [
        f'{_HEAD}<hashlist version="2.0" xmlns="{MANIFEST_NAMESPACE}">',
        "  <creatorinfo>",
        f"    <creationdate>{creator.date}</creationdate>",
        f"    <hostname>{_text(shown(creator.host_name))}</hostname>",
        f"    <tool version={quoteattr(shown(creator.tool_version))}>syncd</tool>",
        "  </creatorinfo>",
        "  <processinfo>",
        f"    <process>{manifest.process}</process>",
        *_directory_lines("    ", "roothash", manifest.root_content, manifest.root_structure),
        "    <ignore>",
        *(f"      <pattern>{_text(pattern)}</pattern>" for pattern in manifest.ignore),
        "    </ignore>",
        "  </processinfo>",
        "  <hashes>",
    ]
    for record in manifest.files:
        lines += _file_lines(record, mtimes_ns.get(record.path), creator.date)
    for folder in manifest.folders:
        lines += ["    <directoryhash>", f"      <path>{_text(folder.path)}</path>"]
        lines += _content_lines("      ", folder.content, folder.structure)
        lines += ["    </directoryhash>"]
    lines += ["  </hashes>"]
    if manifest.references:
        lines += ["  <references>"]
        for reference in manifest.references:
            lines += _pair_lines("hashlistreference", reference.path, reference.c4)
        lines += ["  </references>"]
    return "\n".join([*lines, "</hashlist>", ""]).encode()


def render_chain(entries: Iterable[ChainEntry]) -> bytes:
    """Write a chain."""
    lines = [f'{_HEAD}<ascmhldirectory xmlns="{CHAIN_NAMESPACE}">']
    for entry in entries:
        lines += _pair_lines(f'hashlist sequencenr="{entry.number}"', entry.name, entry.c4)
    return "\n".join([*lines, "</ascmhldirectory>", ""]).encode()


def _file_lines(record: FileRecord, mtime_ns: int | None, date: str) -> Iterator[str]:
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


def _mtime(mtime_ns: int | None) -> str:
    """Return a file's time as xs:dateTime, or "" if the calendar has none for it."""
    if mtime_ns is None:
        return ""
    try:
        return datetime.fromtimestamp(mtime_ns // 10**9, UTC).isoformat(timespec="seconds")
    except (OverflowError, ValueError, OSError):
        return ""
