"""`syncd speed` between two real daemons: what it finds, what it leaves, and what ends it."""

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

from syncd.storage.layout import SPEED
from syncd.storage.marker import MARKER_NAME
from tests.boxes import DAY, Box, Pair, place_roll, wait_until
from tests.cli.conftest import Result
from tests.faults.real_mounts import SmallDisk, why_no_loop
from tests.hostile.test_greedy import Watch

pytestmark = pytest.mark.timeout(180)
MIB = 1 << 20
# What an older syncd is, for this purpose.
WITHOUT_SPEED = (
    "from syncd.wire import messages; del messages.QUESTIONS['speed'];"
    "from syncd.cli.main import main; main()"
)


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    """Give two daemons that trust each other."""
    with Pair(tmp_path) as both:
        yield both


def typed(box: Box, *words: str) -> Result:
    """Type a command on a box."""
    done = subprocess.run(
        [sys.executable, "-m", "syncd", *words],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "SYNCD_CONFIG": str(box.config), "COLUMNS": "100"},
    )
    return Result(done.returncode, done.stdout, done.stderr)


def hand_over(pair: Pair, name: str = "A012", *, size: int = 8 * MIB) -> Path:
    """Offload a roll of two clips with a list of md5, and wait until it is ready."""
    staged = pair.landing.parent / f"staged-{name}"
    (staged / "Clips").mkdir(parents=True)
    lines = []
    for number in (1, 2):
        data = os.urandom(size)
        path = f"Clips/{name}C00{number}.mov"
        (staged / path).write_bytes(data)
        lines.append(f"{xxhash.xxh64_hexdigest(data)}  {path}")
    (staged / f"{name}.xxh64").write_text("\n".join(lines) + "\n")
    where = place_roll(staged, pair.landing, name)
    pair.wait_ready(name)
    return where


def snapshot(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Return size, mtime and ctime of all that lies below a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        found[str(path)] = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return found


def stages(found: Any) -> list[tuple[str, str]]:
    """Return which parts were measured, and where."""
    return [(part["stage"], part["box"]) for part in found["stages"] if part["rate"]]


def test_it_measures_every_part_and_touches_nothing(pair: Pair) -> None:
    """One JSON document; landing and rolls are afterwards as they were."""
    hand_over(pair)
    before = snapshot(pair.landing), snapshot(pair.storage / DAY)

    result = typed(pair.offload, "speed", "512", "GB", "--seconds", "0.3", "--json")

    assert result.code == 0, result
    found = result.json
    assert stages(found) == [
        ("source-read", "offload-1"),
        ("hashing", "offload-1"),
        ("cable", ""),
        ("storage-write", "process-1"),
        ("read-back", "process-1"),
        *[("hashing", "process-1")] * 2,
    ]
    assert found["stages"][2]["what"] == "sealed"
    assert {part["what"] for part in found["stages"] if part["stage"] == "hashing"} == {
        *("xxh64", "xxh128"),
    }
    slowest = min(part["rate"] for part in found["stages"])
    assert 0 < found["narrowest"]["rate"] <= slowest
    assert found["estimate"]["total_bytes"] == 512 * 10**9
    least_s, most_s = found["estimate"]["least_s"], found["estimate"]["most_s"]
    assert least_s == pytest.approx(512 * 10**9 / found["narrowest"]["rate"])
    assert least_s <= most_s
    assert (snapshot(pair.landing), snapshot(pair.storage / DAY)) == before
    assert not (pair.storage / SPEED).exists()


def test_for_people_it_draws_bars_and_says_what_could_not_be_measured(pair: Pair) -> None:
    """With no roll on the landing there is nothing to read; the rest is measured."""
    result = typed(pair.offload, "speed", "--seconds", "0.3")

    assert result.code == 0, result
    assert result.out.startswith("offload-1 to process-1 over lo\n")
    assert re.search(r"(?m)^  source read +offload-1 +not measured$", result.out)
    assert re.search(r"(?m)^  cable, sealed +#+>? +[\d,.]+ MB/s", result.out)
    assert re.search(r"(?m)^  storage write +process-1 +#+>? +[\d,.]+ MB/s", result.out)
    assert result.out.count("< narrowest") == 1
    assert "no verified roll lies on the landing" in result.out
    assert "Of what was measured, the narrowest is" in result.out
    assert "1 TB take about" in result.out
    assert "measuring: the cable" in result.err
    assert max(map(len, result.out.splitlines()[2:8])) <= 100


def test_a_clear_cable_is_measured_in_the_clear(tmp_path: Path) -> None:
    """As the rolls travel."""
    both = Pair(tmp_path)
    both.configure_clear()
    with both:
        found = typed(both.offload, "speed", "--seconds", "0.2", "--json").json
    assert [part["what"] for part in found["stages"] if part["stage"] == "cable"] == ["clear"]


def test_rolls_come_first(tmp_path: Path) -> None:
    """While one is offloaded or on its way nothing is measured; nor without the other box."""
    both = Pair(tmp_path)
    both.configure(trust="settled")
    with both:
        both.processing.stop()
        staged = tmp_path / "staged"
        staged.mkdir()
        (staged / "C001.mov").write_bytes(os.urandom(MIB))
        place_roll(staged, both.landing, "A012")
        wait_until(both.offload.rolls, 20, "the roll is not seen")
        offloaded = typed(both.offload, "speed")
        wait_until(lambda: _stage(both, "A012") == "verified", 30, "not verified")
        on_its_way = typed(both.offload, "speed")
        typed(both.offload, "pause")
        away = typed(both.offload, "speed", "--json")

    assert (offloaded.code, on_its_way.code, away.code) == (1, 1, 1)
    assert f"{DAY}/A012 is being offloaded." in offloaded.err
    assert f"{DAY}/A012 is on its way." in on_its_way.err
    assert "syncd pause" in on_its_way.err
    assert away.json["state"] == "failed"
    assert "process-1" in away.json["problem"]


def test_a_storage_that_is_away_or_full_is_told(tmp_path: Path) -> None:
    """Nothing is written to it then, and the marker stays what tells that it is there."""
    both = Pair(tmp_path)
    both.configure(processing='[[notice]]\nkind = "command"\nrun = ["/bin/true"]\n')
    text = both.processing.config.read_text()
    both.processing.config.write_text(
        text.replace("[[notice]]", 'keep_free = "4000000 TB"\n[[notice]]')
    )
    with both:
        full = typed(both.offload, "speed", "--seconds", "0.2")
        (both.storage / MARKER_NAME).rename(tmp_path / "marker")
        absent = typed(both.offload, "speed", "--seconds", "0.2")
        wrong = typed(both.processing, "speed")

    assert (full.code, absent.code, wrong.code) == (1, 1, 1)
    assert "are to be kept free" in full.err
    assert f"The storage {both.storage} is not there" in absent.err
    assert "process-1 hands no rolls over." in wrong.err
    assert not (both.storage / SPEED).exists()


def test_a_box_that_does_not_know_speed_is_told_from_one_that_is_away(tmp_path: Path) -> None:
    """An older syncd answers that there is no such question."""
    both = Pair(tmp_path)
    both.processing.command = ("-c", WITHOUT_SPEED)
    with both:
        result = typed(both.offload, "speed")
    assert result.code == 1
    assert "process-1 runs a syncd that cannot be measured." in result.err
    assert "Install the version of offload-1 on process-1, too." in result.err


@pytest.mark.parametrize("ending", ["ctrl-c", "kill the command", "kill its daemon"])
def test_whoever_ends_it_nothing_is_left(pair: Pair, ending: str) -> None:
    """The other box ends by itself what nobody asks for any more, and takes its files away."""
    running = begun(pair)
    if ending == "ctrl-c":
        running.send_signal(signal.SIGINT)
        assert running.wait(10) == 130
    elif ending == "kill the command":
        running.kill()
    else:
        pair.offload.kill()
    wait_until(lambda: not (pair.storage / SPEED).exists(), 30, "what was written is left")
    running.kill()
    running.communicate()
    if ending != "kill its daemon":
        time.sleep(0.5)
        assert typed(pair.offload, "speed", "--seconds", "0.2").code == 0, (
            "it can be measured again"
        )


@pytest.mark.parametrize("how", ["kill", "stop"])
def test_a_storage_box_that_ends_meanwhile_leaves_nothing(pair: Pair, how: str) -> None:
    """Stopped, it cleans up; killed, it does so when it starts again. The command says what was."""
    running = begun(pair)
    if how == "kill":
        pair.processing.kill()
        assert list((pair.storage / SPEED).iterdir()), "the test is about what is left"
        pair.processing.start()
    else:
        pair.processing.stop()
    out, err = running.communicate(timeout=60)

    assert running.returncode == 1, (out, err)
    assert b"process-1" in err
    wait_until(lambda: not (pair.storage / SPEED).exists(), 20, "what was written is left")


def begun(pair: Pair) -> "subprocess.Popen[bytes]":
    """Begin to measure, and wait until the storage is being written to."""
    running = subprocess.Popen(
        [sys.executable, "-m", "syncd", "speed", "--seconds", "7", "-c", str(pair.offload.config)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    is_written = (pair.storage / SPEED / "0").exists
    wait_until(is_written, 60, "nothing is written")
    return running


def _stage(pair: Pair, name: str) -> str:
    return str(pair.offload.rolls().get(name, {}).get("stage"))


@pytest.mark.skipif(bool(why_no_loop()), reason=why_no_loop())
def test_what_is_to_stay_free_stays_free(tmp_path: Path) -> None:
    """On a small disk it measures with the room that there is."""
    with SmallDisk(tmp_path / "disk", 320 * MIB) as disk:
        both = Pair(tmp_path, storage=disk.path)
        both.configure()
        text = both.processing.config.read_text()
        both.processing.config.write_text(f"{text}keep_free = {128 * MIB}\n")
        with both, Watch(disk) as watch:
            result = typed(both.offload, "speed", "--seconds", "7", "--json")
            wait_until(lambda: not (disk.path / SPEED).exists(), 20, "what was written is left")
    assert result.code == 0, result
    (written,) = [part for part in result.json["stages"] if part["stage"] == "storage-write"]
    assert written["note"] == "there was no room for more"
    assert written["total_bytes"] >= 64 * MIB
    assert watch.least_bytes >= 128 * MIB
