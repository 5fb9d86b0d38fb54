"""The most a machine can do: read, hash, send, hash, write, sync, read back. Nothing of syncd.

`take HOST 0 FILE LANES` says its port; `give HOST PORT FILE LANES`, seconds to durable and proved.
"""

import mmap
import os
import socket
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import xxhash

BLOCK, SYNC_BYTES = 4 << 20, 256 << 20


def give(link: socket.socket, fd: int, begin: int, end: int) -> list[tuple[bool, float]]:
    """Send a part of a file; return if and when it is durable at the other end, and proved."""
    buffer, seen = memoryview(mmap.mmap(-1, BLOCK)), xxhash.xxh64()
    link.sendall(begin.to_bytes(8) + end.to_bytes(8))
    for at in range(begin, end, BLOCK):
        part = buffer[: os.preadv(fd, [buffer[: end - at]], at)]
        seen.update(part)
        link.sendall(part)
    return [(link.recv(8, socket.MSG_WAITALL) == seen.digest(), time.monotonic()) for _ in range(2)]


def take(link: socket.socket, path: str) -> None:
    """Write a part of path, sync it, say its digest; read it back, say that digest."""
    fd, buffer, seen = os.open(path, os.O_RDWR), memoryview(mmap.mmap(-1, BLOCK)), xxhash.xxh64()
    begin, end = (int.from_bytes(link.recv(8, socket.MSG_WAITALL)) for _ in range(2))
    for at in range(begin, end, BLOCK):
        part = buffer[: link.recv_into(buffer, min(BLOCK, end - at), socket.MSG_WAITALL)]
        seen.update(part)
        os.pwrite(fd, part, at)
        if (at + BLOCK) % SYNC_BYTES == 0:
            pool.submit(os.fdatasync, fd)  # what is here gets durable while more arrives
    os.fsync(fd)
    link.sendall(seen.digest())
    fd, seen = os.open(path, os.O_RDONLY | os.O_DIRECT), xxhash.xxh64()
    for at in range(begin, end, BLOCK):
        seen.update(buffer[: min(os.preadv(fd, [buffer], at), end - at)])
    link.sendall(seen.digest())


mode, host, port, file, lanes = *sys.argv[1:5], int(sys.argv[5])
with ThreadPoolExecutor(2 * lanes) as pool:
    if mode == "take":
        open(file, "xb").close()
        door = socket.create_server((host, int(port)))
        print(door.getsockname()[1], flush=True)
        [*pool.map(lambda _: take(door.accept()[0], file), range(lanes))]
    else:
        source, size, began = os.open(file, os.O_RDONLY), os.path.getsize(file), time.monotonic()
        links = [socket.create_connection((host, int(port))) for _ in range(lanes)]
        cuts = [-(-size // BLOCK) * n // lanes * BLOCK for n in range(lanes)] + [size]
        answers = [*pool.map(give, links, [source] * lanes, cuts, cuts[1:])]
        assert all(is_same for lane in answers for is_same, _ in lane), "other bytes arrived"
        print(*(max(at for _, at in each) - began for each in zip(*answers, strict=True)))
