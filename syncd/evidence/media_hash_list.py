"""The original Media Hash List, versions 1.0 and 1.1; read only.

Owns: which of its digests are certain. `xxhash` and `xxhash64` were written in several byte orders
and bases, and `null` is none: a file with nothing else is listed, not proved.
Must not: read files, or know rolls.
"""

from syncd.evidence.errors import EvidenceError
from syncd.evidence.listed import ListedFile, merged
from syncd.evidence.paths import path_problem
from syncd.evidence.xml_reading import Node, read_xml
from syncd.roll.digests import Algorithm, Digest, parse_digest
from syncd.roll.names import shown

VERSIONS = frozenset({"1.0", "1.1"})
_CERTAIN: dict[str, Algorithm] = {
    "md5": Algorithm.MD5,
    "sha1": Algorithm.SHA1,
    "xxhash64be": Algorithm.XXH64,
}


def parse_media_hash_list(data: bytes, *, name: str) -> tuple[ListedFile, ...]:
    """Read a list; paths are relative to the folder that holds it. Raises EvidenceError.

    name: the list's path, for messages.
    """
    entries: list[ListedFile] = []

    def on_record(node: Node) -> None:
        if node.name == "hash":
            entries.append(_entry(node, name))

    root = read_xml(data, list_path=name, record_parent="", on_record=on_record)
    version = root.attributes.get("version", "")
    if root.name != "hashlist" or version not in VERSIONS:
        found = f"{shown(root.local[:40])} {shown(version[:20])}"
        wrong = f"it is no media hash list of version 1.0 or 1.1, but {found}"
        raise EvidenceError(name, wrong.rstrip())
    return merged(name, entries)


def _entry(node: Node, name: str) -> ListedFile:
    file = node.child("file")
    path = file.text if file is not None else ""
    wrong = path_problem(path)
    if wrong is not None:
        raise EvidenceError(name, f"the path {shown(path)} {wrong}", line=node.line)
    digests = tuple(
        read_digest(child, _CERTAIN[child.name], name)
        for child in node.children
        if child.name in _CERTAIN
    )
    return ListedFile(path, digests, read_size(node.text_of("size"), node, name), node.line)


def read_digest(node: Node, algorithm: Algorithm, list_path: str) -> Digest:
    """Return the digest that is an element's text. Raises EvidenceError."""
    text = node.text.strip()
    try:
        return parse_digest(algorithm, text)
    except ValueError as error:
        wrong = f"{shown(text[:100])} is no {algorithm} digest"
        raise EvidenceError(list_path, wrong, line=node.line) from error


def read_size(text: str | None, node: Node, list_path: str) -> int | None:
    """Return a size in bytes, None if there is none. Raises EvidenceError."""
    if text is None:
        return None
    digits = text.strip()
    if not digits.isascii() or not digits.isdigit() or len(digits) > 18:
        raise EvidenceError(list_path, f"{shown(text[:40])} is no size in bytes", line=node.line)
    return int(digits)
