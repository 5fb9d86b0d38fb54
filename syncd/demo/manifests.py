"""The evidence that comes with the demo's rolls, in the forms in which sets really deliver it.

Owns: one generation of an ASC MHL history, and checksum lists as the GNU tools write them.
Must not: use syncd/evidence; the daemon is to read what somebody else wrote.
"""

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from xml.sax.saxutils import escape

from syncd.demo.truth import Truth

_C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"  # SMPTE ST 2114

_MANIFEST = """<?xml version="1.0" encoding="UTF-8"?>
<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">
  <creatorinfo>
    <creationdate>{date}</creationdate>
    <hostname>{host}</hostname>
    <tool version="1">syncd demo</tool>
  </creatorinfo>
  <processinfo>
    <process>in-place</process>
    <ignore>
      <pattern>.DS_Store</pattern>
      <pattern>ascmhl</pattern>
      <pattern>ascmhl/</pattern>
    </ignore>
  </processinfo>
  <hashes>
{hashes}
  </hashes>
</hashlist>
"""
_HASH = """    <hash>
      <path size="{size}">{path}</path>
      <xxh64 action="original" hashdate="{date}">{xxh64}</xxh64>
    </hash>"""
_CHAIN = """<?xml version="1.0" encoding="UTF-8"?>
<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">
  <hashlist sequencenr="1">
    <path>{name}</path>
    <c4>{c4}</c4>
  </hashlist>
</ascmhldirectory>
"""


def write_history(folder: Path, media: dict[str, Truth], *, now: datetime) -> list[str]:
    """Write generation 1 of an ASC MHL history; returns the paths written, relative to folder.

    The chain is written last: it closes the evidence.
    """
    date = now.astimezone(UTC).isoformat(timespec="seconds")
    stamp = now.astimezone(UTC).strftime("%Y-%m-%d_%H%M%SZ")
    name = f"0001_{folder.name}_{stamp}.mhl"
    hashes = "\n".join(
        _HASH.format(
            size=truth.size_bytes, path=escape(path), date=date, xxh64=truth.digests["xxh64"]
        )
        for path, truth in sorted(media.items())
    )
    manifest = _MANIFEST.format(date=date, host="cart-1", hashes=hashes).encode()
    history = folder / "ascmhl"
    history.mkdir()
    (history / name).write_bytes(manifest)
    (history / "ascmhl_chain.xml").write_text(_CHAIN.format(name=name, c4=c4(manifest)))
    return [f"ascmhl/{name}", "ascmhl/ascmhl_chain.xml"]


def write_list(folder: Path, media: dict[str, Truth], algorithm: str, name: str) -> list[str]:
    """Write a checksum list as GNU md5sum does: digest, two spaces, path; returns its path."""
    lines = (f"{truth.digests[algorithm]}  {path}\n" for path, truth in sorted(media.items()))
    (folder / name).write_text("".join(lines))
    return [name]


def c4(data: bytes) -> str:
    """Return the C4 ID of data: its SHA-512 in base 58, 88 digits, after "c4" (SMPTE ST 2114)."""
    number = int.from_bytes(hashlib.sha512(data).digest(), "big")
    digits = ""
    while number:
        number, digit = divmod(number, 58)
        digits = _C4_ALPHABET[digit] + digits
    return "c4" + digits.rjust(88, _C4_ALPHABET[0])
