"""Two real daemons that know nothing of each other, a code, and what a person sees on both."""

import asyncio
import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest

from syncd.limits import MIB
from syncd.wire.identity import Identity
from syncd.wire.pairing import ALPN, Party
from syncd.wire.pairing_dial import pair_with
from syncd.wire.peers import Address
from syncd.wire.trust_store import FILE_NAME
from tests.boxes import Box, Pair, place_roll, wait_until
from tests.test_node import stage_roll

pytestmark = pytest.mark.timeout(300)


class Keyboard:
    """What a person types on one box."""

    def __init__(self, box: Box) -> None:
        self.box = box

    def words(self, *typed: str) -> list[str]:
        return [sys.executable, "-m", "syncd", *typed, "-c", str(self.box.config)]

    def types(self, *typed: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        return subprocess.run(
            self.words(*typed), capture_output=True, text=True, timeout=60, check=False
        )

    @contextmanager
    def shows(self, *more: str) -> Iterator["Shown"]:
        """Run `syncd pair`, which shows a code."""
        process = subprocess.Popen(
            self.words("pair", *more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        try:
            stream = process.stderr if "--json" in more else process.stdout
            assert stream is not None
            yield Shown(process, stream.readline().strip())
        finally:
            process.kill()
            process.communicate()


class Shown:
    """A code on a screen, and what the command says in the end."""

    def __init__(self, process: subprocess.Popen[str], code: str) -> None:
        self.process = process
        self.code = code

    def ends(self) -> tuple[int, str, str]:
        """Wait for the end; return exit code, stdout and stderr after the code."""
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, out, err

    @property
    def wrong(self) -> str:
        """A code that is not this one."""
        return f"{(int(self.code.replace(' ', '')) + 1) % 1_000_000:06}"


class Set:
    """An offload box and a workstation, running, with nobody in their configurations."""

    def __init__(self, folder: Path) -> None:
        self.pair = Pair(folder)
        self.pair.offload.configure(
            f'[[landing]]\npath = "{self.pair.landing}"\n', '[[destination]]\nname = "shared"\n'
        )
        self.pair.processing.configure(f'[storage]\npath = "{self.pair.storage}"\n')
        self.offload, self.process = (
            Keyboard(box) for box in (self.pair.offload, self.pair.processing)
        )

    @property
    def at(self) -> tuple[str, str]:
        """Where the workstation is: there is no multicast between two boxes on loopback."""
        return ("--with", f"127.0.0.1:{self.pair.processing.control}")

    def pairs(self) -> None:
        """Show a code on the workstation, and type it on the offload box."""
        with self.process.shows() as shown:
            typed = self.offload.types("pair", *shown.code.split(), *self.at)
            assert (typed.returncode, typed.stderr) == (0, "")
            code, out, _ = shown.ends()
        assert code == 0
        assert typed.stdout == said_of(self.pair.processing, "processing")
        assert out == said_of(self.pair.offload, "offload")


def said_of(box: Box, role: str) -> str:
    """Return what the other box says of this one when they are paired."""
    return f"Paired with {box.name} ({role})\nIts fingerprint: {box.fingerprint}\n"


def peers_of(box: Box) -> dict[str, dict[str, Any]]:
    """Return whom a box trusts, by name."""
    return {peer["name"]: peer for peer in box.api("peers")["peers"] if peer["trusted"]}


def control_connections(box: Box) -> int:
    """Count the established connections to a box's control and bulk ports."""
    assert box.process is not None
    found = psutil.Process(box.process.pid).net_connections("tcp")
    ports = {box.control, box.bulk}
    return sum(
        each.status == psutil.CONN_ESTABLISHED and each.laddr.port in ports for each in found
    )


@pytest.fixture
def boxes(tmp_path: Path) -> Iterator[Set]:
    """Give both boxes running."""
    made = Set(tmp_path)
    with made.pair:
        yield made


def test_a_code_pairs_two_boxes_while_they_run_and_forgetting_cuts_them(boxes: Set) -> None:
    """From nothing to a roll that moves; cut in mid-roll by one command; then all goes on."""
    pair = boxes.pair
    place_roll(stage_roll(pair.landing.parent / "A012"), pair.landing, "A012")
    wait_until(lambda: (pair.offload.rolls().get("A012") or {}).get("waits"), 30, "it waits")
    waits = pair.offload.rolls()["A012"]["waits"]
    assert (waits["code"], "syncd pair" in waits["remedy"]) == ("not-paired", True)
    assert boxes.offload.types("check").returncode == 1

    boxes.pairs()
    pair.wait_ready("A012")
    assert peers_of(pair.processing)["offload-1"]["roles"] == ["offload"]
    assert peers_of(pair.offload)["process-1"]["present"]
    for box in (pair.offload, pair.processing):
        kept = box.folder / "state" / FILE_NAME
        assert kept.stat().st_mode & 0o777 == 0o600

    big = stage_roll(pair.landing.parent / "B007", clips=40, clip_bytes=16 * MIB)
    place_roll(big, pair.landing, "B007")
    wait_until(lambda: pair.offload.rolls().get("B007", {}).get("moved_bytes"), 30, "it moves")
    assert control_connections(pair.processing) > 0
    gone = boxes.process.types("peers", "forget", "offload-1")
    assert gone.returncode == 0, gone.stderr
    assert pair.offload.fingerprint in gone.stdout
    wait_until(
        lambda: (pair.offload.rolls()["B007"]["held"] or {}).get("code") == "peer-refused",
        30,
        "it is refused",
        state=pair.offload.rolls,
    )
    assert not (pair.storage / "2026-03-14_D12" / "B007").exists()
    assert not peers_of(pair.processing)
    waits = pair.processing.rolls()["B007"]["waits"]
    assert waits["code"] == "not-paired"
    assert "is not paired with this box any more" in waits["message"]
    assert "syncd pair" in waits["remedy"]
    checked = boxes.process.types("check").stdout
    assert "offload-1, which brings B007, is not paired with this box any more." in checked
    log = (pair.processing.folder / "log").read_text()
    assert "The lane was cut: offload-1 is not paired with this box any more." in log
    assert "it was closed" not in log

    boxes.pairs()
    pair.wait_ready("B007", timeout_s=120)


def test_a_cut_is_there_when_the_command_returns(boxes: Set) -> None:
    """Every connection of before is closed; those that come after are turned away."""
    pair = boxes.pair
    boxes.pairs()
    wait_until(lambda: control_connections(pair.processing) > 0, 30, "they talk")
    pair.offload.kill()  # so that nobody dials again
    pair.offload.start()
    wait_until(lambda: control_connections(pair.processing) > 0, 30, "it is known after a start")
    assert boxes.offload.types("peers", "forget", "process-1").returncode == 0
    wait_until(lambda: control_connections(pair.processing) == 0, 2, "both ends are cut")
    time.sleep(3)  # a greeting comes every 2 s, if any does
    assert control_connections(pair.processing) == 0


def test_a_wrong_code_is_a_no_and_three_are_the_end(boxes: Set) -> None:
    """Both sides say so; neither has kept anything, and no log has a code."""
    with boxes.process.shows() as shown:
        for left in ("2 more times.", "tries it once more.", "`syncd pair` there again"):
            typed = boxes.offload.types("pair", shown.wrong, *boxes.at)
            assert typed.returncode == 1
            assert "code is wrong" in typed.stderr
            assert left in typed.stderr
        code, _, said = shown.ends()
        assert (code, "typed too often" in said) == (1, True)
        who = "A wrong code was typed at 127.0.0.1, on a box that calls itself offload-1: "
        for left in ("2 more tries are left.", "one more try is left.", "no try is left."):
            assert who + left in said
        late = boxes.offload.types("pair", shown.code, *boxes.at)
        assert (late.returncode, "shows no pairing code" in late.stderr) == (1, True)
        digits = shown.code.replace(" ", "")
    for box in (boxes.pair.offload, boxes.pair.processing):
        assert not peers_of(box)
        text = (box.folder / "log").read_text()
        assert digits not in text
        assert shown.code not in text
        assert shown.wrong not in text
    assert "2 more" in (boxes.pair.processing.folder / "log").read_text()


class Silent:
    """Four connections of a stranger that ask to pair, say nothing, and are opened again."""

    def __init__(self, folder: Path, port: int) -> None:
        self._context = Identity.load_or_make(
            folder, "edit-1", time.time_ns() // 1_000_000
        ).client_context()
        self._context.set_alpn_protocols([ALPN])
        self._port = port
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._hold, name="silent")

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Hold them meanwhile."""
        self._thread.start()
        try:
            yield
        finally:
            self._ends.set()
            self._thread.join()

    def _hold(self) -> None:
        held: list[ssl.SSLSocket] = []
        while not self._ends.wait(0.05):
            held = [each for each in held if _is_open(each)]
            while len(held) < 4:
                plain = socket.create_connection(("127.0.0.1", self._port), 10)
                held.append(self._context.wrap_socket(plain))
                held[-1].setblocking(False)
        for each in held:
            each.close()


def _is_open(connected: ssl.SSLSocket) -> bool:
    try:
        is_over = connected.recv(4096) == b""
    except ssl.SSLWantReadError:
        return True
    except OSError:
        is_over = True
    if is_over:
        connected.close()
    return not is_over


def test_strangers_that_ask_to_pair_are_told_of_and_in_nobodys_way(
    boxes: Set, tmp_path: Path
) -> None:
    """The one who shows the code hears of them, with a count; the first try pairs."""
    processing = boxes.pair.processing
    strangers = Silent(tmp_path / "stranger", processing.control)
    with strangers.holding(), boxes.process.shows() as shown:
        stream = shown.process.stderr
        assert stream is not None
        assert "syncd pair" in stream.readline()
        told = stream.readline()
        assert told.startswith("Somebody at 127.0.0.1 asks to pair again and again and types no ")
        assert int(told.split("(")[1].split()[0]) >= 3
        typed = boxes.offload.types("pair", *shown.code.split(), *boxes.at)
        assert (typed.returncode, typed.stderr) == (0, "")
        assert shown.ends()[0] == 0
    log = (processing.folder / "log").read_text()
    assert log.count("127.0.0.1 asks to pair again and again, and types no code") == 1


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_code_ends_with_the_command_that_shows_it(boxes: Set, number: int) -> None:
    """Ctrl-C, a closed terminal, a service manager."""
    with boxes.process.shows() as shown:
        os.kill(shown.process.pid, number)
        assert shown.ends()[0] == 130
        typed = boxes.offload.types("pair", shown.code, *boxes.at)
    assert (typed.returncode, "shows no pairing code" in typed.stderr) == (1, True)


def test_a_code_ends_soon_after_the_command_that_shows_it_was_killed(boxes: Set) -> None:
    """It cannot say good-bye; the daemon notices."""
    with boxes.process.shows() as shown:
        shown.process.kill()
        shown.ends()
        log = boxes.pair.processing.folder / "log"
        wait_until(lambda: "Whoever showed the pairing code is gone" in log.read_text(), 15, "it")
        typed = boxes.offload.types("pair", shown.code, *boxes.at)
    assert (typed.returncode, "shows no pairing code" in typed.stderr) == (1, True)
    assert not peers_of(boxes.pair.processing)


def test_pairing_speaks_json_on_both_sides(boxes: Set) -> None:
    """One document on stdout; the code is on stderr, by itself on a line, while it is waited."""
    with boxes.process.shows("--json") as shown:
        assert re.fullmatch(r"\d{3} \d{3}", shown.code)
        typed = boxes.offload.types("pair", shown.code, *boxes.at, "--json")
        code, out, _ = shown.ends()
    own = boxes.pair.processing
    expected = {"name": "process-1", "fingerprint": own.fingerprint, "roles": ["processing"]}
    assert json.loads(typed.stdout) == {"peer": expected}
    assert (code, json.loads(out)["peer"]["name"]) == (0, "offload-1")


def test_what_cannot_be_meant_is_said(boxes: Set) -> None:
    """Exit codes as in README: 2 for what is no code, 1 for nobody there."""
    for typed, code, words in (
        (("pair", "12345"), 2, "6 digits"),
        (("pair", "482913"), 1, "--with ADDRESS"),
        (("pair", "482913", "--with", "nobody"), 1, "nobody"),
        (("pair", "482913", "--with", "127.0.0.1:99999"), 2, "no address"),
        (("pair", "--with", "process-1"), 2, "--with"),
        (("pair", "482913", "--with", f"127.0.0.1:{boxes.pair.offload.control}"), 1, "very box"),
    ):
        result = boxes.offload.types(*typed)
        assert (result.returncode, words in result.stderr) == (code, True), (typed, result)


def test_a_box_of_a_name_that_is_known_is_paired_after_the_other_is_forgotten(
    boxes: Set, tmp_path: Path
) -> None:
    """A box that was set up anew shows another certificate; a person says that it is the same."""
    boxes.pairs()
    box = boxes.pair.processing
    box.stop()
    old = box.fingerprint
    (box.folder / "state").rename(tmp_path / "before")
    box.start()
    assert box.fingerprint != old
    with boxes.process.shows() as shown:
        typed = boxes.offload.types("pair", shown.code, *boxes.at)
        assert typed.returncode == 1
        assert "syncd peers forget process-1" in typed.stderr
        assert boxes.offload.types("peers", "forget", old[:20]).returncode == 0
        assert boxes.offload.types("pair", shown.code, *boxes.at).returncode == 0
        assert shown.ends()[0] == 0
    place_roll(stage_roll(tmp_path / "A012"), boxes.pair.landing, "A012")
    boxes.pair.wait_ready("A012")


def test_a_box_that_does_not_know_that_it_was_paired_is_told_of_with_what_to_do(
    boxes: Set, tmp_path: Path
) -> None:
    """The connection broke when only the side that showed the code had kept it."""
    box = boxes.pair.processing
    other = Identity.load_or_make(tmp_path / "edit-1", "edit-1", time.time_ns() // 1_000_000)

    async def ready(_: Party, __: Address) -> None:
        """Take no room: this box never lists the other one."""

    with boxes.process.shows() as shown:
        typed = pair_with(
            [("127.0.0.1", box.control)],
            shown.code.replace(" ", ""),
            own=Party("edit-1", other.fingerprint, ("editorial",), 8840),
            identity=other,
            random_bytes=os.urandom,
            ready=ready,
        )
        asyncio.run(typed)
        assert shown.ends()[0] == 0
    assert peers_of(box)["edit-1"]["problem"] == "", "it may be about to call"
    wait_until(lambda: peers_of(box)["edit-1"]["problem"], 30, "it is missed")
    told = " ".join(boxes.process.types("peers").stdout.split())
    assert "edit-1 has not called since it was paired with this box." in told
    assert "`syncd peers` there does not list this box" in told
    assert "pair again" in " ".join(boxes.process.types("check").stdout.split())


def test_the_list_of_paired_boxes_survives_the_loss_of_the_journal(boxes: Set) -> None:
    """It is a file of its own, and so are the keys."""
    boxes.pairs()
    for box in (boxes.pair.offload, boxes.pair.processing):
        box.kill()
        for path in (box.folder / "state").glob("journal.sqlite*"):
            path.unlink()
        box.start()
    wait_until(lambda: peers_of(boxes.pair.offload)["process-1"]["present"], 30, "it is heard")
