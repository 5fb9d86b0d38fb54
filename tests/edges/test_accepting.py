"""A loop without descriptors, for real, in a process of its own."""

import subprocess
import sys

# Serves, then takes every descriptor that is left while somebody wants to connect.
PROGRAM = """
import asyncio, logging, os, resource, socket
from syncd.edges.accepting import log_refused_accepts_rarely
from syncd.edges.clock import RealClock

logging.basicConfig(level=logging.INFO)

async def main():
    loop = asyncio.get_running_loop()
    log_refused_accepts_rarely(loop, RealClock())
    accepted = asyncio.Event()
    server = await asyncio.start_server(lambda *_: accepted.set(), "127.0.0.1", 0)
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64))
    asking = socket.socket()
    taken = []
    try:
        while True:
            taken.append(os.open(os.devnull, os.O_RDONLY))
    except OSError:
        pass
    asking.connect(server.sockets[0].getsockname())
    await asyncio.sleep(3.5)  # the loop tries again every second
    assert not accepted.is_set()
    for each in taken:
        os.close(each)
    async with asyncio.timeout(10):
        await accepted.wait()
    loop.call_exception_handler({"message": "something else"})

asyncio.run(main())
"""


def test_a_lack_of_descriptors_is_logged_once_and_ends_by_itself() -> None:
    """Who waited is accepted as soon as there is one; other troubles are shown as ever."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True
    )
    assert done.stderr.count("No connection can be accepted") == 1, done.stderr
    assert "LimitNOFILE" in done.stderr
    assert "Traceback" not in done.stderr
    assert "something else" in done.stderr
