"""A small ASC MHL history, written here and not by syncd: foreign input for tests."""

import hashlib
from collections.abc import Mapping
from pathlib import Path

from syncd.roll.digests import c4_text

STAMP = "2026-03-14T18:30:00+00:00"


def write_history(
    folder: Path, digests: Mapping[str, tuple[int, str]], algorithm: str = "xxh64"
) -> None:
    """Write generation 1 for files given as path: (size, digest as text); the chain comes last."""
    hashes = "".join(
        f'<hash><path size="{size}">{path}</path>'
        f'<{algorithm} action="original" hashdate="{STAMP}">{digest}</{algorithm}></hash>\n'
        for path, (size, digest) in digests.items()
    )
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><creatorinfo>'
        f"<creationdate>{STAMP}</creationdate><hostname>cart-1</hostname>"
        '<tool version="1">made for a test</tool></creatorinfo>'
        "<processinfo><process>in-place</process><ignore><pattern>.DS_Store</pattern>"
        "<pattern>ascmhl</pattern></ignore></processinfo>"
        f"<hashes>\n{hashes}</hashes></hashlist>\n"
    ).encode()
    history = folder / "ascmhl"
    history.mkdir()
    name = f"0001_{folder.name}_2026-03-14_183000Z.mhl"
    (history / name).write_bytes(manifest)
    c4 = c4_text(hashlib.sha512(manifest).digest())
    (history / "ascmhl_chain.xml").write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"><hashlist sequencenr="1">'
        f"<path>{name}</path><c4>{c4}</c4></hashlist></ascmhldirectory>\n"
    )
