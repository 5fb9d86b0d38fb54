"""A program of any user on the box: holds connections to a port open, and opens cut ones again.

`python -m tests.board.crowd PORT COUNT` says on stdout, each half second, how many it has opened.
"""

import asyncio
import resource
import sys
from contextlib import suppress


class Crowd:
    """As many connections that say nothing as the port lets in, count at most."""

    def __init__(self, port: int, count: int) -> None:
        self.opened = 0
        self._port = port
        self._count = count

    async def run(self) -> None:
        """Hold them until cancelled."""
        async with asyncio.TaskGroup() as group:
            for _ in range(self._count):
                group.create_task(self._hold_one())
            while True:
                await asyncio.sleep(0.5)
                sys.stdout.write(f"{self.opened}\n")
                sys.stdout.flush()

    async def _hold_one(self) -> None:
        while True:
            with suppress(OSError):
                reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
                self.opened += 1
                with suppress(OSError):
                    await reader.read(1)
                writer.close()
                continue
            await asyncio.sleep(0.01)


if __name__ == "__main__":
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    asyncio.run(Crowd(int(sys.argv[1]), int(sys.argv[2])).run())
