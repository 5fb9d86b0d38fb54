"""XML from strangers, read in one pass with flat memory and firm limits.

Owns: the limits (no DOCTYPE; bytes, depth, text and attributes of one element, elements that are
kept, length of one tag or comment) and the small nodes that manifests are read from.
Must not: know any manifest's vocabulary.

A file record is handed over as soon as it ends and is then let go, so that 300,000 of them cost
the memory of one. The parser is defusedxml's; its events are taken from expat directly, because
its Python layers in between cost three times as much as all the rest.
"""

from collections.abc import Callable, Iterator
from typing import Any
from xml.parsers.expat import ExpatError  # the error only; parsing is defusedxml's

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from syncd.evidence.errors import EvidenceError
from syncd.limits import (
    MANIFEST_ATTRIBUTES_MAX,
    MANIFEST_BYTES_MAX,
    MANIFEST_DEPTH_MAX,
    MANIFEST_NODES_MAX,
    MANIFEST_TEXT_MAX,
)
from syncd.roll.names import shown

_CHUNK_BYTES = 1024 * 1024
# A tag or comment that takes more is looked through anew with each: expat 2.5 begins it again.
_CHUNKS_PER_TOKEN_MAX = 2
# Those that expat reads itself; for any other, Python would be asked for a codec.
_ENCODINGS = frozenset({"utf-8", "utf-16", "us-ascii", "iso-8859-1"})


class Node:
    """One element: name, attributes, own text, children, and the line it starts on.

    name: `namespace}local`, or `local` without a namespace, as expat gives it.
    """

    __slots__ = ("attributes", "children", "line", "name", "text")

    def __init__(self, name: str, attributes: dict[str, str], line: int) -> None:
        self.name = name
        self.attributes = attributes
        self.children: list[Node] = []
        self.line = line
        self.text = ""

    @property
    def local(self) -> str:
        """The name without its namespace."""
        return self.name.rpartition("}")[2]

    @property
    def namespace(self) -> str:
        """The namespace, or ""."""
        return self.name.rpartition("}")[0]

    def child(self, name: str) -> "Node | None":
        """Return the first child of that name."""
        return next((child for child in self.children if child.name == name), None)

    def all(self, name: str) -> Iterator["Node"]:
        """Yield the children of that name."""
        return (child for child in self.children if child.name == name)

    def text_of(self, name: str) -> str | None:
        """Return the text of the first child of that name, without white space around it."""
        child = self.child(name)
        return None if child is None else child.text.strip()


def read_xml(
    data: bytes, *, list_path: str, record_parent: str, on_record: Callable[[Node], None]
) -> Node:
    """Read a document and return its root. Raises EvidenceError.

    on_record: called with each element below a record_parent, which is then let go; what it
    raises passes through. A record_parent "" stands for the root itself.
    """
    if len(data) > MANIFEST_BYTES_MAX:
        raise EvidenceError(list_path, f"it is larger than {MANIFEST_BYTES_MAX} bytes")
    reading = _Reading(list_path, record_parent, on_record)
    view = memoryview(data)
    try:
        for start in range(0, len(data), _CHUNK_BYTES):
            reading.expat.Parse(view[start : start + _CHUNK_BYTES].tobytes(), False)
            reading.check_progress()
        reading.expat.Parse(b"", True)
    except ExpatError as error:
        raise EvidenceError(
            list_path,
            f"it is not whole XML ({error.args[0].partition(':')[0]})",
            line=error.lineno,
        ) from error
    except DefusedXmlException as error:
        wrong = "it has a DOCTYPE or entities, which a manifest has no use for"
        raise EvidenceError(list_path, wrong) from error
    finally:
        reading.end()
    assert reading.root is not None, "expat accepts no document without a root"
    return reading.root


class _Reading:
    """Expat's events, made into nodes."""

    def __init__(
        self, list_path: str, record_parent: str, on_record: Callable[[Node], None]
    ) -> None:
        self.root: Node | None = None
        self._list_path = list_path
        self._record_parent = record_parent
        self._record_depth = 2 if record_parent else 1
        self._on_record = on_record
        self._open: list[Node] = []
        self._kept = 0
        self._kept_besides = 0
        self._idle_chunks = 0
        self._defused: Any = DefusedXMLParser(forbid_dtd=True)
        self.expat: Any = self._defused.parser
        self.expat.buffer_text = True
        self.expat.ordered_attributes = False
        self.expat.DefaultHandlerExpand = None
        self.expat.XmlDeclHandler = self._declare
        self.expat.StartElementHandler = self._start
        self.expat.EndElementHandler = self._end
        self.expat.CharacterDataHandler = self._data

    def check_progress(self) -> None:
        """Raise EvidenceError if nothing has begun or ended for some chunks."""
        self._idle_chunks += 1
        if self._idle_chunks > _CHUNKS_PER_TOKEN_MAX:
            raise self._too_much("one tag or comment is longer than a megabyte")

    def end(self) -> None:
        """Part from expat: the two hold each other, and with them all that was read."""
        self.expat.XmlDeclHandler = self.expat.StartElementHandler = None
        self.expat.EndElementHandler = self.expat.CharacterDataHandler = None

    def _declare(self, _version: str, encoding: str | None, _standalone: int) -> None:
        if encoding is not None and encoding.lower() not in _ENCODINGS:
            wrong = f"it is in the encoding {shown(encoding[:40])}; a manifest is in UTF-8"
            raise EvidenceError(self._list_path, wrong)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        node = Node(name, attributes, self.expat.CurrentLineNumber)
        self._idle_chunks = 0
        if self._holds_records():
            self._kept_besides = self._kept
        self._kept += 1
        if len(self._open) >= MANIFEST_DEPTH_MAX:
            raise self._too_much(f"elements are nested more than {MANIFEST_DEPTH_MAX} deep")
        if len(attributes) > MANIFEST_ATTRIBUTES_MAX:
            raise self._too_much(f"an element has more than {MANIFEST_ATTRIBUTES_MAX} attributes")
        if self._kept > MANIFEST_NODES_MAX:
            raise self._too_much(f"it has more than {MANIFEST_NODES_MAX} elements beside its files")
        self._open.append(node)

    def _data(self, text: str) -> None:
        self._idle_chunks = 0
        if self._holds_records():
            return  # what stands between records; nobody asks for it, and there is much of it
        node = self._open[-1]
        if len(node.text) + len(text) > MANIFEST_TEXT_MAX:
            raise self._too_much(f"an element has more than {MANIFEST_TEXT_MAX} characters of text")
        node.text += text

    def _holds_records(self) -> bool:
        """Tell whether what comes next lies between records."""
        if len(self._open) != self._record_depth:
            return False
        return self._record_parent in {"", self._open[-1].name}

    def _too_much(self, wrong: str) -> EvidenceError:
        return EvidenceError(self._list_path, wrong, line=self.expat.CurrentLineNumber)

    def _end(self, _name: str) -> None:
        node = self._open.pop()
        self._idle_chunks = 0
        if not self._open:
            self.root = node
            return
        if self._holds_records():
            self._on_record(node)
            self._kept = self._kept_besides
        else:
            self._open[-1].children.append(node)
