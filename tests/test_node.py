"""Whole daemons from outside: how they end, what they print, and what editorial gets of them."""

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import xxhash
from lxml import etree

from syncd.limits import MIB
from syncd.roll.digests import c4_text
from tests.bench.history import write_history
from tests.boxes import DAY, Box, Pair, place_roll, wait_until
from tests.standards.test_asc_mhl import MANIFEST_SCHEMAS, STANDARDS, schema

FIRST_MTIME_NS = 1_700_000_000_000_000_000
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)$")


def stage_roll(folder: Path, *, clips: int = 2, clip_bytes: int = MIB) -> Path:
    """Make a roll with an ASC MHL history of one generation, and files of a known time."""
    (folder / "Clips").mkdir(parents=True)
    digests = {}
    for number in range(clips):
        data = number.to_bytes(4, "big") * (clip_bytes // 4)
        path = folder / "Clips" / f"C{number:03}.mov"
        path.write_bytes(data)
        os.utime(path, ns=(0, FIRST_MTIME_NS + number * 1_000_000_000))
        digests[f"Clips/{path.name}"] = (clip_bytes, xxhash.xxh64_hexdigest(data))
    write_history(folder, digests)
    return folder


@pytest.fixture(scope="module")
def trio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Pair, Box, Path]]:
    """Give all three boxes running, one roll ready, and the folder they live in."""
    folder = tmp_path_factory.mktemp("boxes")
    pair = Pair(folder)
    edit = Box("edit-1", "editorial", folder / "edit-1")
    peer = '[[peer]]\nname = "{}"\nfingerprint = "{}"\naddress = "127.0.0.1:{}"\n'
    pair.configure(
        processing=peer.format(edit.name, edit.fingerprint, edit.control),
    )
    box = pair.processing
    edit.configure(peer.format(box.name, box.fingerprint, box.control))
    staged = stage_roll(folder / "A012")
    os.mkfifo(staged / "pipe")
    (staged / "Clips" / "outside.mov").symlink_to("/etc/hostname")
    (staged / "Audio").mkdir()
    with pair:
        edit.start()
        try:
            place_roll(staged, pair.landing, "A012")
            pair.wait_ready("A012")
            yield pair, edit, folder
        finally:
            edit.stop()


def _syncd(box: Box, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "syncd", *words, "-c", str(box.config)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def _json(box: Box, *words: str) -> Any:
    result = _syncd(box, *words, "--json")
    assert result.stderr == ""
    return json.loads(result.stdout)


def test_rolls_as_json_have_the_shape_that_scripts_rely_on(trio: tuple[Pair, Box, Path]) -> None:
    """The shape written down in the design's outside contract, from a real daemon."""
    pair, _, _ = trio
    for box in (pair.offload, pair.processing):
        (roll,) = _json(box, "rolls")["rolls"]
        assert set(roll) >= {
            *("id", "name", "day", "stage", "bytes", "files", "moved_bytes", "rank"),
            *("needed_by", "expected_at", "late", "held"),
        }
        assert (roll["name"], roll["day"], roll["stage"]) == ("A012", DAY, roll["stage"])
        assert roll["moved_bytes"] == roll["bytes"] > 2 * MIB
        assert (roll["held"], roll["late"]) == (None, False)
        detail = _json(box, "roll", f"{DAY}/A012")
        assert "route" in detail
        assert [line["stage"] for line in detail["history"]][-2:] != []
        assert all(TIME.match(line["at"]) for line in detail["history"])


def test_peers_and_check_have_their_shapes(trio: tuple[Pair, Box, Path]) -> None:
    """Who is there, and whether all is well, for scripts."""
    pair, _, _ = trio
    peers = _json(pair.offload, "peers")
    assert peers["own"]["name"] == "offload-1"
    (peer,) = peers["peers"]
    assert set(peer) >= {
        *("name", "fingerprint", "roles", "trusted", "present", "address", "last_heard_at"),
    }
    assert (peer["trusted"], peer["present"]) == (True, True)
    checks = _json(pair.processing, "check")
    assert isinstance(checks["ok"], bool)
    assert all({"name", "ok", "message", "remedy"} <= set(check) for check in checks["checks"])


def test_what_is_published_keeps_times_and_leaves_out_what_is_no_file(
    trio: tuple[Pair, Box, Path],
) -> None:
    """Links and pipes are not followed and break nothing; an empty folder is there."""
    pair, _, _ = trio
    roll = pair.storage / DAY / "A012"
    for number in range(2):
        found = (roll / "Clips" / f"C{number:03}.mov").stat()
        assert found.st_mtime_ns == FIRST_MTIME_NS + number * 1_000_000_000
    assert not (roll / "Clips" / "outside.mov").exists()
    assert not (roll / "pipe").exists()
    assert (roll / "Audio").is_dir()


def test_the_next_generation_is_chained_and_the_sources_own_is_untouched(
    trio: tuple[Pair, Box, Path],
) -> None:
    """Valid by both published schemas where they are here; the chain gives each manifest's C4."""
    pair, _, _ = trio
    source, history = (root / DAY / "A012" / "ascmhl" for root in (pair.landing, pair.storage))
    first, second = sorted(history.glob("*.mhl"))
    (own,) = source.glob("*.mhl")
    assert first.read_bytes() == own.read_bytes()
    chain = (history / "ascmhl_chain.xml").read_text()
    for number, manifest in enumerate((first, second), start=1):
        assert manifest.name.startswith(f"{number:04}_")
        assert f"<path>{manifest.name}</path>" in chain
        assert c4_text(hashlib.sha512(manifest.read_bytes()).digest()) in chain
    if STANDARDS.is_dir():
        for name in MANIFEST_SCHEMAS:
            schema(name).assertValid(etree.parse(second))
        schema("ASCMHLDirectory.xsd").assertValid(etree.parse(history / "ascmhl_chain.xml"))


def test_an_unmarked_storage_is_said_and_cured_by_marking_it(tmp_path: Path) -> None:
    """`syncd check --mark`, because a person said so; then the roll goes on by itself."""
    pair = Pair(tmp_path)
    (pair.storage / "syncd-storage.json").unlink()
    with pair:
        place_roll(stage_roll(tmp_path / "A012"), pair.landing, "A012")
        wait_until(lambda: (pair.offload.rolls().get("A012") or {}).get("held"), 20, "held")
        result = _syncd(pair.offload, "rolls", "--json")
        (roll,) = json.loads(result.stdout)["rolls"]
        assert (result.returncode, roll["stage"]) == (1, "held")
        assert roll["held"]["code"] == "storage-absent"
        assert not list(pair.storage.iterdir())
        _syncd(pair.processing, "check", "--mark")
        pair.wait_ready("A012", timeout_s=20)


def test_fetch_brings_the_roll_and_its_exit_codes_are_the_contracts(
    trio: tuple[Pair, Box, Path],
) -> None:
    """0 when it is here and verified, 1 for a roll that nobody has; twice is fine."""
    pair, edit, folder = trio
    target = folder / "rushes"
    target.mkdir()
    assert _syncd(edit, "fetch", "Z999", "--to", str(target)).returncode == 1
    result = _syncd(edit, "fetch", "A012", "--to", str(target))
    assert result.returncode == 0, result.stderr
    assert _syncd(edit, "fetch", f"{DAY}/A012", "--to", str(target)).returncode == 0
    for path in (pair.storage / DAY / "A012" / "Clips").iterdir():
        assert (target / DAY / "A012" / "Clips" / path.name).read_bytes() == path.read_bytes()


def test_a_fetch_goes_on_after_the_daemon_was_killed(trio: tuple[Pair, Box, Path]) -> None:
    """Kill -9 in mid-fetch: nothing partial is visible; restarted, it finishes by itself."""
    pair, edit, folder = trio
    target = folder / "second"
    target.mkdir()
    staged = stage_roll(folder / "B007", clips=8, clip_bytes=24 * MIB)
    place_roll(staged, pair.landing, "B007")
    pair.wait_ready("B007")
    assert _syncd(edit, "fetch", "B007", "--to", str(target), "--no-wait").returncode == 0
    incoming = target / ".syncd" / "incoming"
    wait_until(lambda: any(incoming.rglob("*.mov")), 20, "it moves", every_s=0.005)
    edit.kill()
    assert not (target / DAY / "B007").exists()
    edit.start()
    wait_until((target / DAY / "B007").exists, 40, "fetched", state=lambda: edit.api("fetches"))
    for number in range(8):
        name = f"Clips/C{number:03}.mov"
        expected = (pair.storage / DAY / "B007" / name).read_bytes()
        assert (target / DAY / "B007" / name).read_bytes() == expected


def _end_in_mid_transfer(pair: Pair, folder: Path, who: str) -> Box:
    box: Box = getattr(pair, who)
    place_roll(stage_roll(folder / "C001", clips=20, clip_bytes=24 * MIB), pair.landing, "C001")
    wait_until(lambda: pair.processing.rolls().get("C001", {}).get("moved_bytes"), 30, "it moves")
    assert box.process is not None
    return box


@pytest.mark.parametrize("who", ["offload", "processing"])
def test_sigterm_in_mid_transfer_ends_within_five_seconds(who: str, tmp_path: Path) -> None:
    """Exit 0, and the other box stays; started again, the roll goes on."""
    with Pair(tmp_path) as pair:
        box = _end_in_mid_transfer(pair, tmp_path, who)
        assert box.process is not None
        started_s = time.monotonic()
        box.process.send_signal(signal.SIGTERM)
        code = box.process.wait(10)
        took_s = time.monotonic() - started_s
        assert (code, took_s < 5) == (0, True), f"exit {code} after {took_s:.1f} s"
        box.stop()
        box.start()
        pair.wait_ready("C001")


def test_a_second_signal_ends_at_once(tmp_path: Path) -> None:
    """Which loses nothing: the next start recovers."""
    with Pair(tmp_path) as pair:
        box = pair.processing
        assert box.process is not None
        box.process.send_signal(signal.SIGTERM)
        box.process.send_signal(signal.SIGTERM)
        started_s = time.monotonic()
        box.process.wait(10)
        assert time.monotonic() - started_s < 1.5


def test_parcels_travel_in_clear_if_both_boxes_ask_for_it_and_that_is_said(tmp_path: Path) -> None:
    """The roll arrives read-back good; if only one asks it does so sealed, and both say that."""
    pair = Pair(tmp_path / "clear")
    pair.configure_clear()
    with pair:
        place_roll(stage_roll(tmp_path / "A012"), pair.landing, "A012")
        pair.wait_ready("A012")
        for box in (pair.offload, pair.processing):
            assert "anyone on the cable 127.0.0.0/24 can read" in json.dumps(box.api("status"))

    table = '[[clear]]\npeer = "offload-1"\nnet = "127.0.0.0/24"\n'
    pair = Pair(tmp_path / "sealed")
    pair.configure(processing=table)
    with pair:
        place_roll(stage_roll(tmp_path / "B007"), pair.landing, "B007")
        pair.wait_ready("B007")
        told = json.dumps(pair.processing.api("status"))
        assert "this box asks for clear, offload-1 does not" in told
