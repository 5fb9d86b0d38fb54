"""The demo's cable: a relay between two loopback addresses, as fast as 1 Gb/s Ethernet, to be cut.

Owns: its own listeners, connections and threads, the pace, and what it counted.
Must not: look into what it carries; it could not, all of it is sealed.

A cut resets every connection and refuses new ones, as when the far box loses its port; a cable
pulled between two switches is quieter, and is a matter for the heartbeats and time limits of the
daemons, not for this demo.
"""

import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress

# Payload of 1 Gb/s Ethernet with TCP/IPv4 and timestamps at MTU 1500: 1448 of 1538 octets.
GIGABIT_BYTES_PER_S = 125_000_000 * 1448 / 1538
_BUFFER_BYTES = 128 * 1024
_BURST_S = 0.01
_ACCEPT_S = 0.2
_RESET_AT_CLOSE = struct.pack("ii", 1, 0)


class Pace:
    """Lets bytes pass at a fixed rate, whoever asks; one for each direction, as on full duplex."""

    def __init__(self, bytes_per_s: float) -> None:
        self.bytes_per_s = bytes_per_s
        self._lock = threading.Lock()
        self._free_at_s = 0.0

    def wait_for(self, count: int) -> None:
        """Return when count more bytes may pass."""
        now = time.monotonic()
        with self._lock:
            self._free_at_s = max(self._free_at_s, now - _BURST_S) + count / self.bytes_per_s
            delay_s = self._free_at_s - now
        if delay_s > 0:
            time.sleep(delay_s)


class _Joint:
    """One connection through the cable: the near and the far socket, and how many ways are open."""

    def __init__(self, near: socket.socket, far: socket.socket) -> None:
        self.ends = (near, far)
        self.ways_open = 2
        for end in self.ends:
            end.settimeout(None)
            end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def reset(self) -> None:
        """End it as a lost link does: what is under way is thrown away."""
        for end in self.ends:
            with suppress(OSError):
                end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_AT_CLOSE)
                # Wakes the threads that wait in this socket; close() alone would not.
                end.shutdown(socket.SHUT_RDWR)
            end.close()


class Cable:
    """Relays near:port to far:port for each of ports, while it is plugged in.

    near, far: two loopback addresses. carried_bytes: what went from near to far so far.
    Raises OSError if near cannot be listened on. close() ends all threads and sockets.
    """

    def __init__(
        self,
        near: str,
        far: str,
        ports: tuple[int, ...],
        bytes_per_s: float = GIGABIT_BYTES_PER_S,
    ) -> None:
        self.near, self.far, self.ports = near, far, ports
        self.carried_bytes = 0
        self._there, self._back = Pace(bytes_per_s), Pace(bytes_per_s)
        self._lock = threading.Lock()
        self._joints: set[_Joint] = set()
        self._listeners: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.is_plugged = False
        self.join()

    @property
    def bytes_per_s(self) -> float:
        """How fast the cable is, in each direction."""
        return self._there.bytes_per_s

    @bytes_per_s.setter
    def bytes_per_s(self, value: float) -> None:
        self._there.bytes_per_s = self._back.bytes_per_s = value

    def join(self) -> None:
        """Plug the cable in."""
        if self.is_plugged:
            return
        self._listeners = self._listen_on_all()
        self.is_plugged = True
        for listener, port in zip(self._listeners, self.ports, strict=True):
            self._start(self._accept, listener, port)

    def cut(self) -> int:
        """Pull the cable; returns how many connections were torn."""
        with self._lock:
            self.is_plugged = False
            torn = list(self._joints)
            self._joints.clear()
        for joint in torn:
            joint.reset()
        for listener in self._listeners:
            with suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)  # wakes its thread
        for thread in self._threads:
            thread.join(timeout=5)
        for listener in self._listeners:
            listener.close()
        return len(torn)

    def close(self) -> None:
        """Cut, for good."""
        self.cut()

    def _listen_on_all(self) -> list[socket.socket]:
        listeners: list[socket.socket] = []
        try:
            for port in self.ports:
                listeners.append(self._listen(port))  # noqa: PERF401 - closed if a later one fails
        except OSError:
            for listener in listeners:
                listener.close()
            raise
        return listeners

    def _listen(self, port: int) -> socket.socket:
        family = socket.AF_INET6 if ":" in self.near else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.near, port))
            listener.listen(64)
            listener.settimeout(_ACCEPT_S)
        except OSError:
            listener.close()
            raise
        return listener

    def _accept(self, listener: socket.socket, port: int) -> None:
        while self.is_plugged:
            try:
                near, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return  # the cable was cut
            try:
                far = socket.create_connection((self.far, port), timeout=5)
            except OSError:
                near.close()  # nobody there: the far daemon is down
                continue
            self._connect(_Joint(near, far))

    def _connect(self, joint: _Joint) -> None:
        with self._lock:
            if self.is_plugged:
                self._joints.add(joint)
        if joint not in self._joints:
            joint.reset()
            return
        self._start(self._pump, joint, 0)
        self._start(self._pump, joint, 1)

    def _pump(self, joint: _Joint, side: int) -> None:
        """Carry what comes from one side to the other until that side ends or either breaks."""
        source, target = joint.ends[side], joint.ends[1 - side]
        pace = (self._there, self._back)[side]
        buffer = memoryview(bytearray(_BUFFER_BYTES))
        try:
            while count := source.recv_into(buffer):
                pace.wait_for(count)
                target.sendall(buffer[:count])
                if side == 0:
                    with self._lock:
                        self.carried_bytes += count
            target.shutdown(socket.SHUT_WR)
            self._end(joint)
        except OSError:
            self._end(joint, is_broken=True)

    def _end(self, joint: _Joint, *, is_broken: bool = False) -> None:
        """One way is closed; close the joint when both are, or when it broke."""
        with self._lock:
            joint.ways_open -= 1
            is_over = is_broken or joint.ways_open == 0
            is_ours = joint in self._joints
            if is_over:
                self._joints.discard(joint)
        if is_over and is_ours:
            joint.reset()

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, name="cable", daemon=True)
        thread.start()
        self._threads = [old for old in self._threads if old.is_alive()] + [thread]
