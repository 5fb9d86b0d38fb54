"""What a hand-off is compared with: a person's commands, tar through a socket, the raw limit.

Each does what it does from a cold cache, removes what it made, and returns seconds by name.
Must not: use anything of syncd.
"""

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.bench.workplace import cool, flush

BY_HAND, TAR = "by hand", "tar"
RAW_SENT, RAW = "raw, without read-back", "raw"
RAW_LANES = 2
SCRIPT = Path(__file__).parent / "raw_limit.py"
# Larger records than tar's own 10 KiB make it faster.
TAR_RECORD = "--blocking-factor=512"


def need(*tools: str) -> None:
    """Raise SystemExit, with what to do, if one of the system's tools is missing."""
    if missing := [tool for tool in tools if shutil.which(tool) is None]:
        raise SystemExit(f"{' and '.join(missing)} is missing: install it (xxhsum is in xxhash).")


def by_hand(staged: Path, copy: Path) -> Mapping[str, float]:
    """Copy, flush, hash both, one after the other, as a person would type it."""
    cool(staged)
    began_s = time.monotonic()
    subprocess.run(["cp", "-r", staged, copy], check=True)
    flush(copy)
    for folder in (staged, copy):
        listing = subprocess.run(
            f"find '{folder}' -type f -print0 | xargs -0 xxhsum -H1",
            shell=True,
            check=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # its progress
        )
        assert listing.stdout
    took_s = time.monotonic() - began_s
    shutil.rmtree(copy)
    return {BY_HAND: took_s}


def by_tar(staged: Path, copy: Path, listing: Path) -> Mapping[str, float]:
    """Pack, send through a socket, unpack, flush, check the far side against the list."""
    copy.mkdir()
    cool(staged)
    began_s = time.monotonic()
    with socket.create_server(("127.0.0.1", 0)) as door:
        near = socket.create_connection(door.getsockname())
        far, _ = door.accept()
    with (
        near,
        far,
        program("tar", "-c", TAR_RECORD, "-f", "-", "-C", staged, ".", stdout=near) as giver,
        program("tar", "-x", TAR_RECORD, "-f", "-", "-C", copy, stdin=far) as taker,
    ):
        near.close()  # tar has it, and its end is to be the end
        assert (giver.wait(), taker.wait()) == (0, 0), "tar failed"
    flush(copy)
    subprocess.run(["xxhsum", "--quiet", "--check", listing], cwd=copy, check=True)
    took_s = time.monotonic() - began_s
    shutil.rmtree(copy)
    return {TAR: took_s}


def raw_limit(
    source: Path,
    target: Path,
    *,
    near: Sequence[str] = (),
    far: Sequence[str] = (),
    host: str = "127.0.0.1",
) -> Mapping[str, float]:
    """Have raw_limit.py move one file; near, far: words that run a program where each end is."""
    cool(source)
    durable_s, proved_s = run_raw(source, target, near, far, host)
    target.unlink()
    return {RAW_SENT: durable_s, RAW: proved_s}


def run_raw(
    source: Path,
    target: Path,
    near: Sequence[str] = (),
    far: Sequence[str] = (),
    host: str = "127.0.0.1",
) -> tuple[float, float]:
    """Run both ends of raw_limit.py; return the seconds until target is durable, and proved."""
    python, lanes = (sys.executable, SCRIPT), str(RAW_LANES)
    with program(*far, *python, "take", host, "0", target, lanes) as taker:
        assert taker.stdout is not None
        port = taker.stdout.readline().strip()
        with program(*near, *python, "give", host, port, source, lanes) as giver:
            said, _ = giver.communicate()
            assert (giver.returncode, taker.wait()) == (0, 0), "the raw limit failed"
    durable_s, proved_s = map(float, said.split())
    return durable_s, proved_s


@contextmanager
def program(
    *argv: str | Path, stdin: socket.socket | None = None, stdout: socket.socket | None = None
) -> Iterator["subprocess.Popen[str]"]:
    """Run a program that ends with the block at the latest; its output is a socket or a pipe."""
    running = subprocess.Popen(
        argv,
        stdin=None if stdin is None else stdin.fileno(),
        stdout=subprocess.PIPE if stdout is None else stdout.fileno(),
        text=True,
    )
    try:
        yield running
    finally:
        running.kill()
        running.wait()
        if running.stdout is not None:
            running.stdout.close()
