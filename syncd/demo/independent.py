"""The independent check: files are what they were when made, and what their evidence says.

Run as a program of its own: `python independent.py TRUTH.json`; exit 0 only if all is so.
Owns: its own reading of ASC MHL and checksum lists. Must not: import anything of syncd, so that a
fault of the daemon cannot hide in the check.

Asked of each folder: every media and evidence file of the truth is there, with its size and
SHA-256; nothing else is there but further generations of the ASC MHL history; every manifest in the
history is one that the chain names, with the chain's C4; no digest in it contradicts the bytes; the
newest generation covers every media file.
"""

import hashlib
import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import xxhash
from defusedxml import ElementTree

MHL = "{urn:ASC:MHL:v2.0}"
CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
CHAIN_PATH = "ascmhl/ascmhl_chain.xml"
GENERATION = re.compile(r"ascmhl/\d{4,}_[^/]+\.mhl")
C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
LIST_LINE = re.compile(r"([0-9a-f]+) [ *](.+)")
HASHERS: dict[str, Any] = {
    "c4": hashlib.sha512,
    "md5": hashlib.md5,
    "sha1": hashlib.sha1,
    "xxh64": xxhash.xxh64,
    "xxh3": xxhash.xxh3_64,
    "xxh128": xxhash.xxh3_128,
    "sha256": hashlib.sha256,
}


def check(folder: Path, media: dict[str, Any], evidence: dict[str, Any]) -> tuple[list[str], int]:
    """Return what is wrong with one folder, and how many digests were compared."""
    found = _files(folder)
    problems = [f"{path}: missing" for path in (*media, *evidence) if path not in found]
    problems += [
        f"{path}: is there, and nobody made it"
        for path in found
        if path not in media and path not in evidence and not _is_history(path)
    ]
    compared = 0
    for path, (size, sha256) in (media | evidence).items():
        if path == CHAIN_PATH or path not in found:
            continue  # the chain may gain generations; it is read below
        compared += 1
        problems += _differs(folder / path, path, size, {"sha256": sha256})
    for path in evidence:
        if path.rsplit(".", 1)[-1] in HASHERS and path in found:
            wrong, number = _check_list(folder, path)
            problems, compared = problems + wrong, compared + number
    wrong, number = _check_history(folder, set(media))
    return problems + wrong, compared + number


def _files(folder: Path) -> set[str]:
    """Everything below folder that is not a folder: a link or a device is nothing we made."""
    found = set()
    for parent, _, names in os.walk(folder):
        found |= {(Path(parent) / name).relative_to(folder).as_posix() for name in names}
    return found


def _is_history(path: str) -> bool:
    return path == CHAIN_PATH or GENERATION.fullmatch(path) is not None


def _check_list(folder: Path, path: str) -> tuple[list[str], int]:
    """Compare every file with the line of a checksum list."""
    algorithm = path.rsplit(".", 1)[-1]
    problems: list[str] = []
    lines = (folder / path).read_text().splitlines()
    for line in lines:
        match = LIST_LINE.fullmatch(line)
        if match is None:
            problems.append(f"{path}: {line!r} is no line of a checksum list")
        elif (folder / match[2]).is_file():
            problems += _differs(folder / match[2], match[2], None, {algorithm: match[1]})
    return problems, len(lines)


def _check_history(folder: Path, media: set[str]) -> tuple[list[str], int]:
    """Follow the chain through all generations; the last one must cover all media."""
    if not (folder / CHAIN_PATH).is_file():
        return [f"{CHAIN_PATH}: missing"], 0
    problems: list[str] = []
    compared = 0
    covered: set[str] = set()
    named: set[str] = set()
    chain = ElementTree.parse(folder / CHAIN_PATH).getroot()
    for number, item in enumerate(chain.findall(f"{CHAIN}hashlist"), start=1):
        path = "ascmhl/" + (item.findtext(f"{CHAIN}path") or "")
        named.add(path)
        if item.get("sequencenr") != str(number) or not (folder / path).is_file():
            problems.append(f"{CHAIN_PATH}: generation {number} is not there: {path}")
            continue
        c4 = item.findtext(f"{CHAIN}c4")
        problems += _differs(folder / path, path, None, {"c4": c4 or ""})
        wrong, covered = _check_manifest(folder, path)
        problems += wrong
        compared += len(covered) + 1
    problems += [f"{path}: the chain does not name it" for path in _generations(folder) - named]
    missing = sorted(media - covered)
    problems += [f"{path}: not in the newest generation" for path in missing]
    return problems, compared


def _generations(folder: Path) -> set[str]:
    return {f"ascmhl/{path.name}" for path in (folder / "ascmhl").glob("*.mhl")}


def _check_manifest(folder: Path, path: str) -> tuple[list[str], set[str]]:
    """Compare every file with one manifest; returns problems and the files it covers."""
    problems: list[str] = []
    covered: set[str] = set()
    root = ElementTree.parse(folder / path).getroot()
    for entry in root.iter(f"{MHL}hash"):
        where = entry.find(f"{MHL}path")
        file = where.text or ""
        digests = {}
        for child in entry:
            name = child.tag.removeprefix(MHL)
            if name in HASHERS and child.get("action") in {"original", "verified"}:
                digests[name] = child.text or ""
        size = where.get("size")
        if not digests or not (folder / file).is_file():
            problems.append(f"{path}: {file} has no good digest there, or is missing")
            continue
        covered.add(file)
        problems += _differs(folder / file, file, None if size is None else int(size), digests)
    return problems, covered


def _differs(path: Path, name: str, size: int | None, digests: dict[str, str]) -> list[str]:
    hashers = {algorithm: HASHERS[algorithm]() for algorithm in digests}
    length = 0
    with path.open("rb") as file:
        while data := file.read(1 << 20):
            length += len(data)
            for hasher in hashers.values():
                hasher.update(data)
    problems = []
    if size is not None and length != size:
        problems.append(f"{name}: {length} bytes, not {size}")
    for algorithm, hasher in hashers.items():
        found = _c4(hasher.digest()) if algorithm == "c4" else hasher.hexdigest()
        if found != digests[algorithm].strip():
            problems.append(f"{name}: {algorithm} is {found}, not {digests[algorithm]}")
    return problems


def _c4(sha512: bytes) -> str:
    number, digits = int.from_bytes(sha512, "big"), ""
    while number:
        number, digit = divmod(number, 58)
        digits = C4_ALPHABET[digit] + digits
    return "c4" + digits.rjust(88, C4_ALPHABET[0])


def main(arguments: list[str]) -> int:
    """Check every folder that the truth names, print the answer, return the exit code."""
    places = json.loads(Path(arguments[0]).read_text())
    answer: dict[str, Any] = {"files": 0, "digests": 0, "problems": []}
    for place in places:
        folder = Path(place["folder"])
        problems, compared = check(folder, place["media"], place["evidence"])
        answer["files"] += len(place["media"]) + len(place["evidence"])
        answer["digests"] += compared
        answer["problems"] += [f"{folder}: {problem}" for problem in problems]
    sys.stdout.write(json.dumps(answer) + "\n")
    return 1 if answer["problems"] or not places else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
