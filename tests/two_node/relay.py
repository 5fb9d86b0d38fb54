"""A way between two loopback addresses that can be cut, held and slowed.

Owns: its listeners, connections and threads. Must not: look into what it carries.
"""

import socket
import struct
import threading
import time
from contextlib import suppress

BUFFER_BYTES = 128 * 1024
LOOK_S = 0.2  # how soon a thread that waits sees that it is over
RESET_AT_CLOSE = struct.pack("ii", 1, 0)


class Relay:
    """Carries near:port to far:port, for each of ports, from join() on."""

    def __init__(self, near: str, far: str, ports: tuple[int, ...]) -> None:
        self._near, self._far, self._ports = near, far, ports
        self._lock = threading.Lock()
        self._threads: list[threading.Thread] = []
        self._sockets: set[socket.socket] = set()
        self._passes = threading.Event()
        self._is_open = False
        self._bytes_per_s = 0.0
        self._free_at_s = 0.0

    def set_rate(self, bytes_per_s: float) -> None:
        """Carry no more than that, over all connections and both ways; 0: as fast as it goes."""
        self._bytes_per_s = bytes_per_s

    def join(self) -> None:
        """Carry, also what was held."""
        self._passes.set()
        if self._is_open:
            return
        self._is_open = True
        for port in self._ports:
            self._start(self._accept, self._listen(port), port)

    def hold(self) -> None:
        """Carry nothing and tell nobody: connections stay, and new ones are not answered."""
        self._passes.clear()

    def cut(self) -> None:
        """Reset every connection and refuse new ones."""
        self._is_open = False
        self._passes.set()
        with self._lock:
            sockets, self._sockets = self._sockets, set()
        for one in sockets:
            _reset(one)
        for thread in self._threads:
            thread.join(5)
        self._threads.clear()

    def _listen(self, port: int) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._near else socket.AF_INET
        listener = socket.create_server((self._near, port), family=family)
        listener.settimeout(LOOK_S)
        self._keep(listener)
        return listener

    def _accept(self, listener: socket.socket, port: int) -> None:
        while self._is_open:
            try:
                near, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return  # cut
            self._start(self._connect, near, port)

    def _connect(self, near: socket.socket, port: int) -> None:
        self._keep(near)
        self._passes.wait()
        try:
            far = socket.create_connection((self._far, port), timeout=5)
        except OSError:
            self._drop(near)  # nobody there: refused, as far as a relay can
            return
        self._keep(far)
        for one in (near, far):
            one.settimeout(None)
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._start(self._pump, near, far)
        self._start(self._pump, far, near)

    def _pump(self, source: socket.socket, target: socket.socket) -> None:
        buffer = memoryview(bytearray(BUFFER_BYTES))
        try:
            while count := source.recv_into(buffer):
                self._passes.wait()
                self._pace(count)
                target.sendall(buffer[:count])
            target.shutdown(socket.SHUT_WR)
        except OSError:
            self._drop(source, target)

    def _pace(self, count: int) -> None:
        if not self._bytes_per_s:
            return
        with self._lock:
            now_s = time.monotonic()
            self._free_at_s = max(self._free_at_s, now_s) + count / self._bytes_per_s
            wait_s = self._free_at_s - now_s
        time.sleep(wait_s)

    def _keep(self, one: socket.socket) -> None:
        with self._lock:
            if self._is_open:
                self._sockets.add(one)
                return
        _reset(one)

    def _drop(self, *sockets: socket.socket) -> None:
        for one in sockets:
            with self._lock:
                self._sockets.discard(one)
            _reset(one)

    def _start(self, work: object, *arguments: object) -> None:
        assert callable(work)
        thread = threading.Thread(target=work, args=arguments, name="relay", daemon=True)
        thread.start()
        self._threads = [old for old in self._threads if old.is_alive()] + [thread]


def _reset(one: socket.socket) -> None:
    """End a socket as a lost link does, and wake whoever waits in it."""
    with suppress(OSError):
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_AT_CLOSE)
        one.shutdown(socket.SHUT_RDWR)
    one.close()
