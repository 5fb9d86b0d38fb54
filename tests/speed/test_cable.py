"""The cable's part of `syncd speed`: over a link whose rate is known, and that can be pulled."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.speed.arithmetic import payload_rate
from syncd.storage.layout import SPEED
from tests.bench.ways import How, SpaceWay
from tests.boxes import wait_until
from tests.two_node.namespaces import why_not

pytestmark = [
    pytest.mark.timeout(240),
    pytest.mark.skipif(bool(why_not()), reason=why_not()),
]
MBIT = 160


@pytest.fixture
def way(tmp_path: Path) -> Iterator[SpaceWay]:
    """Give two daemons with a cable between them."""
    made = SpaceWay(tmp_path)
    made.pair.configure()
    try:
        with made.pair:
            yield made
    finally:
        made.close()


def begun(way: SpaceWay, seconds: float) -> "subprocess.Popen[str]":
    """Begin to measure on the offload box."""
    box = way.pair.offload
    words = ("speed", "--json", "--seconds", str(seconds), "-c", str(box.config))
    return subprocess.Popen(
        box.inside(sys.executable, "-m", "syncd", *words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_what_is_measured_is_what_the_cable_carries(way: SpaceWay) -> None:
    """At most what arithmetic leaves of its rate, and not much less."""
    way.set_rate(MBIT * 125_000)
    out, err = begun(way, 4.0).communicate(timeout=120)

    assert out, err
    (cable,) = [part for part in json.loads(out)["stages"] if part["stage"] == "cable"]
    # The queue counts of a frame neither gap nor preamble, and one head for many frames that are
    # handed to it at once. It also lets a burst pass.
    limit = payload_rate(MBIT, 1500) * 1538 / 1448
    assert 0.8 * payload_rate(MBIT, 1500) < cable["rate"] < 1.03 * limit
    assert json.loads(out)["narrowest"]["stage"] == "cable"
    assert cable["limit"] is None, "no such interface is believed its rate"


def test_a_cable_that_is_pulled_ends_it_on_both_sides(way: SpaceWay) -> None:
    """The command says who fell silent, soon; the storage is clean by itself."""
    running = begun(way, 7.0)
    storage = way.pair.storage
    wait_until((storage / SPEED / "0").exists, 60, "nothing is written")
    way.cut(How.SILENT)
    cut_s = time.monotonic()
    out, err = running.communicate(timeout=60)
    took_s = time.monotonic() - cut_s
    wait_until(lambda: not (storage / SPEED).exists(), 30, "what was written is left")
    way.join(How.SILENT)

    assert running.returncode == 1, (out, err)
    assert "process-1" in json.loads(out)["problem"]
    assert took_s < 20
