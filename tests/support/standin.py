"""A stand-in for a SocketCAN socket: datagrams of struct can_frame on the loopback.

The same bytes, stamps, drop counter and calls as with the kernel's CAN sockets, where there are
none. Not more than some 200 frames may wait unread unless the buffer was enlarged.
"""

import contextlib
import socket
import struct
import threading

import can
from can.interfaces.socketcan.constants import SO_TIMESTAMPNS
from can.interfaces.socketcan.socketcan import SocketcanBus

__all__ = ["Server", "bus_on", "fd_frame", "frame", "pair"]


def pair() -> tuple[socket.socket, socket.socket]:
    """Return the sender's end, and the receiver's as python-can would have set it up."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    receiver.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.connect(receiver.getsockname())
    return sender, receiver


def frame(head: int, payload: bytes, *, behind: bytes = b"") -> bytes:
    """Return a struct can_frame; `behind` is what the sender's memory held behind the payload."""
    return struct.pack("=IBBBB8s", head, len(payload), 0, 0, 0, payload + behind)


def fd_frame(head: int, payload: bytes) -> bytes:
    """Return a struct canfd_frame."""
    return struct.pack("=IBBBB64s", head, len(payload), 1, 0, 0, payload)


def bus_on(endpoint: socket.socket) -> can.BusABC:
    """Return python-can's own SocketCAN bus, reading from that end."""
    bus = object.__new__(SocketcanBus)
    bus.socket = endpoint
    bus.channel = "stand-in"
    bus.channel_info = "stand-in"
    bus._bcm_sockets = {}
    bus._is_filtered = False
    bus._filters = None
    bus._is_shutdown = True
    bus._periodic_tasks = []
    return bus


class Server:
    """Speaks the handshake of the socketcand protocol, then sends what it is told to."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._client: socket.socket | None = None
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            client, _ = self._listener.accept()
            # Who only looks whether somebody is there goes away again.
            with contextlib.suppress(ConnectionError):
                client.sendall(b"< hi >")
                if client.recv(100):
                    break
            client.close()
        client.sendall(b"< ok >")
        client.recv(100)
        client.sendall(b"< ok >")
        self._client = client
        self._ready.set()

    def send(self, text: bytes) -> None:
        """Send messages to the client."""
        assert self._ready.wait(60)
        assert self._client is not None
        self._client.sendall(text)

    def reset(self) -> None:
        """Break the connection off with a reset (RFC 9293, 3.5.3), as a machine that died."""
        assert self._ready.wait(60)
        assert self._client is not None
        self._client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._client.close()

    def close(self) -> None:
        """Close the connection and stop listening."""
        self._thread.join(5)
        if self._client is not None:
            self._client.close()
        self._listener.close()
