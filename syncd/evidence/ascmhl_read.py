"""ASC MHL manifests and chains, from XML to data, with the checks that no schema makes.

Owns: the vocabulary, and refusing what is ambiguous: a path twice, one that leads out of the scope,
a digest of the wrong length, a negative size, a record without a digest or without an action.
Must not: read files; ascmhl_history.py puts generations together.
"""

from collections.abc import Callable

from syncd.evidence.ascmhl_model import (
    CHAIN_NAMESPACE,
    FORMATS,
    MANIFEST_NAMESPACE,
    Action,
    ChainEntry,
    DirectoryRecord,
    FileRecord,
    Manifest,
    Reference,
)
from syncd.evidence.errors import EvidenceError
from syncd.evidence.media_hash_list import read_digest, read_size
from syncd.evidence.paths import path_problem
from syncd.evidence.xml_reading import Node, read_xml
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import shown

PROCESSES = frozenset({"in-place", "transfer", "flatten"})


def _tag(name: str) -> str:
    return f"{MANIFEST_NAMESPACE}}}{name}"


_FORMAT_OF: dict[str, Algorithm] = {_tag(algorithm.value): algorithm for algorithm in FORMATS}
# Allowed for files by the schema, not by the text; 32 bits prove nothing.
_WEAK = _tag("xxh32")
_PATH, _HASH, _DIRECTORY = _tag("path"), _tag("hash"), _tag("directoryhash")
_PREVIOUS = _tag("previousPath")


def read_manifest(
    data: bytes, path: str, take: Callable[[FileRecord | DirectoryRecord], None] | None = None
) -> Manifest:
    """Read one manifest. Raises EvidenceError.

    path: the manifest itself, for messages.
    take: is given each record as it is read; none is then kept in what is returned.
    """
    files: list[FileRecord] = []
    folders: list[DirectoryRecord] = []
    seen: dict[str, int] = {}

    def on_record(node: Node) -> None:
        record: FileRecord | DirectoryRecord
        if node.name == _HASH:
            record = _file_record(node, path)
        elif node.name == _DIRECTORY:
            record = _directory_record(node, path)
        else:
            return
        before = seen.get(record.path)
        if before is not None:
            wrong = f"{shown(record.path)} is listed a second time, after line {before}"
            raise EvidenceError(path, wrong, line=node.line, path=record.path)
        seen[record.path] = record.line
        if take is not None:
            take(record)
        elif isinstance(record, FileRecord):
            files.append(record)
        else:
            folders.append(record)

    root = read_xml(data, list_path=path, record_parent=_tag("hashes"), on_record=on_record)
    if root.name != _tag("hashlist") or root.attributes.get("version") != "2.0":
        raise EvidenceError(path, "it is no ASC MHL manifest of format 2.0", line=root.line)
    process = root.child(_tag("processinfo")) or Node("", {}, root.line)
    content, structure = _directory_digests(process.child(_tag("roothash")), path)
    return Manifest(
        path=path,
        process=_process(process, path),
        ignore=_ignore(process),
        files=tuple(files),
        folders=tuple(folders),
        root_content=content,
        root_structure=structure,
        references=_references(root, path),
    )


def read_chain(data: bytes, path: str) -> tuple[ChainEntry, ...]:
    """Read a chain; numbers run from 1 without gaps. Raises EvidenceError."""
    entries: list[ChainEntry] = []

    def on_record(node: Node) -> None:
        if node.name == f"{CHAIN_NAMESPACE}}}hashlist":
            entries.append(_chain_entry(node, path, len(entries) + 1))

    root = read_xml(data, list_path=path, record_parent="", on_record=on_record)
    if root.name != f"{CHAIN_NAMESPACE}}}ascmhldirectory":
        raise EvidenceError(path, "it is no ASC MHL chain of format 2.0", line=root.line)
    if not entries:
        raise EvidenceError(path, "the chain names no manifest")
    return tuple(entries)


def _chain_entry(node: Node, path: str, expected: int) -> ChainEntry:
    number = node.attributes.get("sequencenr", "")
    if number != str(expected):
        wrong = f"generation {expected} is expected here, not {shown(number[:20])}"
        raise EvidenceError(path, wrong, line=node.line)
    name = node.child(f"{CHAIN_NAMESPACE}}}path")
    c4 = node.child(f"{CHAIN_NAMESPACE}}}c4")
    if name is None or c4 is None:
        wrong = "a generation needs the path and the C4 of its manifest"
        raise EvidenceError(path, wrong, line=node.line)
    _require_path(name.text, name, path)
    return ChainEntry(expected, name.text, read_digest(c4, Algorithm.C4, path))


def _file_record(node: Node, path: str) -> FileRecord:
    named = _named(node, path)
    digests: list[tuple[Digest, Action]] = []
    has_weak = False
    for child in node.children:
        algorithm = _FORMAT_OF.get(child.name)
        has_weak = has_weak or child.name == _WEAK
        if algorithm is not None:
            digests.append((read_digest(child, algorithm, path), _action(child, path)))
    if not digests and not has_weak:
        wrong = f"{shown(named.text)} has no digest"
        raise EvidenceError(path, wrong, line=node.line, path=named.text)
    if len({digest.algorithm for digest, _ in digests}) != len(digests):
        wrong = f"{shown(named.text)} has two digests of one format"
        raise EvidenceError(path, wrong, line=node.line, path=named.text)
    size = read_size(named.attributes.get("size"), named, path)
    return FileRecord(named.text, size, tuple(digests), _previous(node, path), node.line)


def _directory_record(node: Node, path: str) -> DirectoryRecord:
    named = _named(node, path)
    content, structure = _directory_digests(node, path)
    return DirectoryRecord(named.text, content, structure, _previous(node, path), node.line)


def _directory_digests(
    node: Node | None, path: str
) -> tuple[tuple[Digest, ...], tuple[Digest, ...]]:
    if node is None:
        return (), ()
    both = [_formats(node.child(_tag(name)), path) for name in ("content", "structure")]
    content, structure = both
    if {d.algorithm for d in content} != {d.algorithm for d in structure}:
        raise EvidenceError(path, "content and structure differ in formats", line=node.line)
    return content, structure


def _formats(node: Node | None, path: str) -> tuple[Digest, ...]:
    if node is None:
        return ()
    return tuple(
        read_digest(child, _FORMAT_OF[child.name], path)
        for child in node.children
        if child.name in _FORMAT_OF
    )


def _action(node: Node, path: str) -> Action:
    text = node.attributes.get("action", "")
    try:
        return Action(text)
    except ValueError as error:
        wrong = f"a digest has the action {shown(text)}" if text else "a digest has no action"
        raise EvidenceError(path, wrong, line=node.line) from error


def _named(node: Node, path: str) -> Node:
    named = node.child(_PATH)
    if named is None:
        raise EvidenceError(path, "a record has no path", line=node.line)
    _require_path(named.text, named, path)
    return named


def _previous(node: Node, path: str) -> str | None:
    previous = node.child(_PREVIOUS)
    if previous is None:
        return None
    _require_path(previous.text, previous, path)
    return previous.text


def _require_path(text: str, node: Node, path: str) -> None:
    wrong = path_problem(text)
    if wrong is not None:
        raise EvidenceError(path, f"the path {shown(text[:200])} {wrong}", line=node.line)


def _process(processinfo: Node, path: str) -> str:
    process = processinfo.text_of(_tag("process"))
    if process not in PROCESSES:
        wrong = f"the process {shown(process or 'nothing')} is not one of ASC MHL"
        raise EvidenceError(path, wrong, line=processinfo.line)
    return process


def _ignore(processinfo: Node) -> tuple[str, ...]:
    ignore = processinfo.child(_tag("ignore"))
    if ignore is None:
        return ()
    return tuple(pattern.text for pattern in ignore.all(_tag("pattern")))


def _references(root: Node, path: str) -> tuple[Reference, ...]:
    references = root.child(_tag("references"))
    if references is None:
        return ()
    return tuple(_reference(node, path) for node in references.all(_tag("hashlistreference")))


def _reference(node: Node, path: str) -> Reference:
    named = _named(node, path)
    c4 = node.child(_tag("c4"))
    if c4 is None:
        raise EvidenceError(path, "a reference has no C4", line=node.line)
    return Reference(named.text, read_digest(c4, Algorithm.C4, path), node.line)
