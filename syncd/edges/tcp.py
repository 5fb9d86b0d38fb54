"""Real links: TCP sockets used by one thread each, and the listener that they come from.

Owns: socket options, waiting, waking, and closing from another thread without pulling the
descriptor from under the one that uses it. Must not: know frames or peers.

A pulled cable does not end a connection by itself. Keepalive probes find it when nothing is under
way. When something is, only TCP_USER_TIMEOUT would, and it cannot tell a dead host from one that
lives and does not read, its disk being slow: so links have none, a send waits as long as it takes,
and whoever listens to the peer on the control plane closes the link (lanes.py and lane_host.py in
handoff/). Buffer sizes are left alone: setting them turns the system's own tuning off.
"""

import asyncio
import errno
import select
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from syncd.edges.dialling import notice_dead_hosts, open_socket
from syncd.errors import ConfigError, LinkEndedError, LinkLostError
from syncd.limits import BACKLOG

# From system calls to poll(): all of these mean "not now".
_NOT_NOW = (BlockingIOError, InterruptedError)
_AT_ONCE = struct.pack("ii", 1, 0)  # SO_LINGER for no time: socket(7)


class TcpLink:
    """Implements ports.Link; its coroutines never suspend, they block their thread."""

    def __init__(self, connected: socket.socket) -> None:
        self._socket = connected
        self.where = _name_of(connected)
        self._bell_in, self._bell_out = socket.socketpair()
        for each in (connected, self._bell_in, self._bell_out):
            each.setblocking(False)
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(connected, select.POLLIN)
        self._readable.register(self._bell_out, select.POLLIN)
        self._writable.register(connected, select.POLLOUT)
        self._lock = threading.Lock()
        self._is_used = False
        self._is_closed = False
        _set_options(connected)

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        with self._using():
            left = [memoryview(part).cast("B") for part in parts if len(part)]
            while left:
                try:
                    sent = self._socket.sendmsg(left)
                except _NOT_NOW:
                    self._writable.poll()  # close() ends it
                    continue
                left = _after(left, sent)

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        with self._using():
            count = self._try_receive(view)
            if count or timeout_s <= 0:
                return count
            ready = {number for number, _ in self._readable.poll(timeout_s * 1000)}
            if self._bell_out.fileno() in ready:
                self._silence_bell()
            return self._try_receive(view) if self._socket.fileno() in ready else 0

    def wake(self) -> None:
        with self._lock:
            if not self._is_closed:
                with suppress(*_NOT_NOW):  # full: it rings already
                    self._bell_in.send(b"!")

    def close(self) -> None:
        with self._lock:
            if self._is_closed:
                return
            self._is_closed = True
            with suppress(OSError):  # ENOTCONN: the other side was faster
                self._socket.shutdown(socket.SHUT_RDWR)  # also ends a poll in the lane's thread
            if not self._is_used:
                self._release()

    @contextmanager
    def _using(self) -> Iterator[None]:
        """Keep close() from giving the descriptors back meanwhile; OSError means lost."""
        with self._lock:
            if self._is_closed:
                raise self._lost("it was closed")
            self._is_used = True
        try:
            yield
        except OSError as error:
            raise self._lost(error.strerror or type(error).__name__) from error
        finally:
            self._end_use()

    def _end_use(self) -> None:
        with self._lock:
            self._is_used = False
            if self._is_closed:
                self._release()

    def _try_receive(self, view: memoryview) -> int:
        """Receive what is there; 0 if there is nothing yet."""
        try:
            count = self._socket.recv_into(view)
        except _NOT_NOW:
            return 0
        if count == 0:
            raise LinkEndedError(
                f"The link to {self.where} was closed by the other side.",
                remedy="It is opened again by itself when it is needed.",
            )
        return count

    def _silence_bell(self) -> None:
        with suppress(*_NOT_NOW):
            self._bell_out.recv(4096)

    def _release(self) -> None:
        for each in (self._socket, self._bell_in, self._bell_out):
            each.close()

    def _lost(self, why: str) -> LinkLostError:
        return LinkLostError(
            f"The link to {self.where} broke: {why}.",
            remedy="It is opened again by itself; if not, check the cable and the other box.",
        )


class Doorstep:
    """A connection that has not said who it is: used on the event loop, for its first frames.

    Implements ports.Receiving with one descriptor and no thread. link() makes a link of it.
    """

    def __init__(self, connected: socket.socket) -> None:
        self._socket = connected
        self.where = _name_of(connected)
        self.host = _host_of(connected)
        connected.setblocking(False)
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        try:
            await asyncio.get_running_loop().sock_sendall(self._socket, b"".join(parts))
        except OSError as error:
            raise self._lost(error) from error

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        try:
            async with asyncio.timeout(timeout_s):
                count = await asyncio.get_running_loop().sock_recv_into(self._socket, view)
        except TimeoutError:
            return 0
        except OSError as error:
            raise self._lost(error) from error
        if count == 0:
            raise LinkEndedError(
                f"{self.where} left without a word.", remedy="Nothing to do: a port scan does so."
            )
        return count

    def link(self) -> TcpLink:
        """Return the connection as a link; from then on it is the link's. Raises OSError."""
        return TcpLink(self._socket)

    def close(self) -> None:
        """Cut it at once: nothing lingers in the system for one that never said who it is."""
        with suppress(OSError):
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
        self._socket.close()

    def _lost(self, error: OSError) -> LinkLostError:
        why = error.strerror or type(error).__name__
        return LinkLostError(f"{self.where} broke off: {why}.", remedy="Nothing to do.")


class Listener:
    """Accepts connections on one address, on the event loop. Made by listen()."""

    def __init__(self, listening: socket.socket) -> None:
        self._socket = listening
        self.port: int = listening.getsockname()[1]

    async def accept(self) -> Doorstep:
        """Wait for the next connection. Raises OSError, after which another try makes sense."""
        connected, _ = await asyncio.get_running_loop().sock_accept(self._socket)
        try:
            return Doorstep(connected)
        except OSError:
            connected.close()
            raise

    def close(self) -> None:
        """Accept no more. Whoever waits in accept() is cancelled first."""
        self._socket.close()


def listen(host: str, port: int) -> Listener:
    """Bind and listen; port 0 takes a free one. Raises ConfigError naming the address."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, _, _, _, address = found[0]
        listening = socket.create_server((str(address[0]), port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise ConfigError(
            f"The bulk address {host}:{port} cannot be used: {error.strerror or error}.",
            remedy=_listen_remedy(error),
        ) from error
    listening.setblocking(False)
    return Listener(listening)


def _listen_remedy(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "Stop the other program on that port, or give node.bulk another one."
    return "Set node.bulk to an address of this box, such as 0.0.0.0:8841."


async def connect(host: str, port: int) -> TcpLink:
    """Open a connection, on the event loop. Raises LinkLostError."""
    try:
        return TcpLink(await open_socket(host, port))
    except OSError as error:
        raise LinkLostError(
            f"No lane could be opened to {host}:{port}: {error.strerror or error}.",
            remedy="It is tried again; if this stays, check that the port passes firewalls.",
        ) from error


def _set_options(connected: socket.socket) -> None:
    """Have the system notice a dead connection soon, and send small frames at once."""
    connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    notice_dead_hosts(connected, user_timeout_s=0)


def _host_of(connected: socket.socket) -> str:
    try:
        return str(connected.getpeername()[0])
    except OSError:
        return ""


def _name_of(connected: socket.socket) -> str:
    try:
        address = connected.getpeername()
    except OSError:
        return "a peer that has gone"
    return f"{address[0]}:{address[1]}"


def _after(parts: list[memoryview], sent: int) -> list[memoryview]:
    """Return what is left of parts once their first sent bytes are gone."""
    while parts and sent >= len(parts[0]):
        sent -= len(parts[0])
        parts = parts[1:]
    return [parts[0][sent:], *parts[1:]] if parts else []
