"""No key, code, token or secret is ever told: two real daemons that log all they can."""

import base64
import json
import os
import re
import sqlite3
import stat
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from syncd.board.token import NAME as TOKEN_FILE
from tests.boxes import Box, place_roll, wait_until
from tests.notices.test_real import Receiver, receiving, staged
from tests.notices.test_signing import SECRET
from tests.test_pairing import Set

pytestmark = pytest.mark.timeout(300)

ASKED = ("rolls", "rolls/A012", "peers", "status", "fetches")
COMMANDS = (
    ("rolls", "--json"),
    ("roll", "A012", "--json"),
    ("peers", "--json"),
    ("check", "--json"),
    ("peers",),
    ("check",),
)
KEY_FILES = ("keys/node.key", TOKEN_FILE)


class Telling(Box):
    """A box whose daemon logs all it can, and writes its secrets down for the test."""

    def inside(self, *argv: str) -> list[str]:
        told = f"TELL_SECRETS={self.folder / 'told'}"
        return ["env", told, "PYTHONASYNCIODEBUG=1", *argv, "-v"]

    def secrets(self) -> set[bytes]:
        """Return all that it keeps or made, and that nobody else may see."""
        state = self.folder / "state"
        pem = (state / "keys" / "node.key").read_bytes()
        key = serialization.load_pem_private_key(pem, None)
        assert isinstance(key, Ed25519PrivateKey)
        token = (state / TOKEN_FILE).read_text().strip()
        told = (self.folder / "told").read_text().split()
        return {
            key.private_bytes_raw(),
            base64.b64decode("".join(pem.decode().splitlines()[1:-1])),
            base64.urlsafe_b64decode(token + "=" * (-len(token) % 4)),
            *(bytes.fromhex(each) for each in told),
        }


def forms(secret: bytes) -> Iterator[bytes]:
    """Return how a secret may be written: as it is, in hex, in base64, as Python shows it."""
    yield secret
    yield secret.hex().encode()
    yield secret.hex().upper().encode()
    for encoded in (base64.b64encode(secret), base64.urlsafe_b64encode(secret)):
        yield encoded.rstrip(b"=")
    yield repr(secret)[2:-1].encode()


def assert_silent(places: dict[str, bytes], secrets: Iterable[bytes], code: str) -> None:
    """Look everywhere for everything."""
    said = [
        place
        for secret in secrets
        for form in forms(secret)
        for place, text in places.items()
        if form in text
    ]
    typed = re.compile(rf"(?<![0-9a-f]){code[:3]}[ -]?{code[-3:]}(?![0-9a-f])".encode())
    said += [f"the code in {place}" for place, text in places.items() if typed.search(text)]
    assert said == []


def files_of(folder: Path) -> dict[str, bytes]:
    """Return every file below folder, and what is in it."""
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def journal_text(state: Path) -> bytes:
    """Return the journal as SQL: in its file, the end of a page may cut a value in two."""
    copy = state.parent / "journal-copy"
    with sqlite3.connect(f"file:{state / 'journal.sqlite'}?mode=ro", uri=True) as db:
        db.backup(target := sqlite3.connect(copy))
    text = "\n".join(target.iterdump()).encode("utf-8", "surrogateescape")
    target.close()
    copy.unlink()
    return text


@pytest.fixture
def told(tmp_path: Path) -> Iterator[tuple[Set, Receiver, Path]]:
    """Give two boxes that know nobody; one tells a web server, a folder and a command."""
    secret, drop = tmp_path / "webhook.secret", tmp_path / "notices"
    secret.write_text(SECRET)
    secret.chmod(0o600)
    drop.mkdir()
    command = tmp_path / "look-around"
    command.write_text(f'#!/bin/sh\n{{ env; cat; echo "$@"; }} > {drop}/command 2>&1\n')
    command.chmod(0o755)
    with receiving() as server:
        two = Set(tmp_path / "pair")
        pair = two.pair
        for box in (pair.offload, pair.processing):
            box.__class__ = Telling
            box.command = ("-m", "tests.telling")
        pair.processing.configure(
            f'[storage]\npath = "{pair.storage}"\n',
            f'[[notice]]\nkind = "drop-file"\nfolder = "{drop}"\n',
            f'[[notice]]\nkind = "command"\nrun = ["{command}", "{{path}}"]\n',
            f'[[notice]]\nkind = "webhook"\nurl = "http://127.0.0.1:{server.server_port}/x"\n'
            f'secret_file = "{secret}"\n',
        )
        yield two, server, drop


def test_no_secret_is_told_by_anything_that_two_boxes_say(
    told: tuple[Set, Receiver, Path], tmp_path: Path
) -> None:
    """Pairing with a wrong code and the right one, a hand-off, notices; then all is searched."""
    two, server, drop = told
    pair = two.pair
    places: dict[str, bytes] = {}
    boxes = [pair.offload, pair.processing]
    with pair:
        with two.process.shows() as shown:
            two.offload.types("pair", *shown.wrong.split(), *two.at)
            typed = two.offload.types("pair", *shown.code.split(), *two.at)
            code, out, _ = shown.ends()  # it shows the code, and so it should
            assert (typed.returncode, code) == (0, 0)
            places["what pairing printed"] = (typed.stdout + typed.stderr + out).encode()
        place_roll(staged(tmp_path / "staged"), pair.landing, "A012")
        pair.wait_ready("A012")
        wait_until(lambda: len(server.heard) > 1, 30, "the webhook does not come again")
        wait_until(lambda: len(list(drop.iterdir())) == 2, 30, "no file is dropped")
        for box, keyboard in ((pair.offload, two.offload), (pair.processing, two.process)):
            for path in ASKED:
                places[f"{path} of {box.name}"] = json.dumps(box.api(path)).encode()
            places[f"metrics of {box.name}"] = box.ask("/metrics").encode()
            for words in COMMANDS:
                did = keyboard.types(*words)
                places[f"{words} on {box.name}"] = (did.stdout + did.stderr).encode()
            events = subprocess.run(
                ["timeout", "3", *keyboard.words("follow", "--json")],
                capture_output=True,
                check=False,
            )
            places[f"follow on {box.name}"] = events.stdout + events.stderr
            assert box.process is not None
            process = Path(f"/proc/{box.process.pid}")
            places[f"command line of {box.name}"] = (process / "cmdline").read_bytes()
            places[f"environment of {box.name}"] = (process / "environ").read_bytes()
        secrets = set.union(*(box.secrets() for box in boxes if isinstance(box, Telling)))
    assert b"DEBUG" in (pair.offload.folder / "log").read_bytes()
    for number, (headers, body) in enumerate(server.heard):
        places[f"webhook {number}"] = json.dumps(headers).encode() + body
    places |= files_of(drop) | files_of(pair.storage) | files_of(pair.landing)
    for box in boxes:
        state = box.folder / "state"
        places[f"journal of {box.name}"] = journal_text(state)
        places |= files_of(box.folder)
        del places[str(box.folder / "told")]
        for name in KEY_FILES:
            del places[str(state / name)]
            assert stat.S_IMODE(os.stat(state / name).st_mode) == 0o600, name
        assert stat.S_IMODE(os.stat(state).st_mode) == 0o700
        assert stat.S_IMODE(os.stat(state / "keys").st_mode) == 0o700
        assert stat.S_IMODE(os.stat(state / "trusted.json").st_mode) == 0o600
    secrets |= {base64.b64decode(SECRET.removeprefix("whsec_"))}
    assert len(secrets) > 20, "the lanes' keys and tickets are among them"
    assert len(places) > 40
    assert_silent(places, secrets, shown.code.replace(" ", ""))
