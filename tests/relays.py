"""A cable between a client and a broker: it can be cut so that nothing is closed and all is lost."""

import selectors
import socket
import threading
from types import TracebackType


class Relay:
    """Carries bytes from `port` to a broker's. While `cut`, nobody hears the other, and nobody is told.

    What is sent meanwhile is read and thrown away, as a network does that drops packets for good.
    While `closed`, new connections are turned away and old ones are ended.
    """

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        self.cut = threading.Event()
        self._closed = threading.Event()
        self._ending = threading.Event()
        self._wake_receiver, self._wake_sender = socket.socketpair()
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    def __enter__(self) -> "Relay":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        self._wake_sender.send(b"\0")
        self._thread.join(20.0)
        for one in (self._door, self._wake_receiver, self._wake_sender, *self._pairs):
            one.close()

    def close(self) -> None:
        """Turn everybody away from now on."""
        self._closed.set()
        self._wake_sender.send(b"\0")

    def open(self) -> None:
        self._closed.clear()

    def _run(self) -> None:
        with selectors.DefaultSelector() as ready:
            ready.register(self._door, selectors.EVENT_READ)
            ready.register(self._wake_receiver, selectors.EVENT_READ)
            while not self._ending.is_set():
                for key, _ in ready.select(0.5):
                    one = key.fileobj
                    if one is self._door:
                        self._accept(ready)
                    elif one is self._wake_receiver:
                        self._wake_receiver.recv(100)
                    elif isinstance(one, socket.socket) and one in self._pairs:
                        self._carry(one, ready)
                if self._closed.is_set():
                    for one in list(self._pairs):
                        self._end(one, ready)

    def _accept(self, ready: selectors.BaseSelector) -> None:
        near, _ = self._door.accept()
        try:
            if self._closed.is_set():
                raise OSError
            far = socket.create_connection(("127.0.0.1", self._broker_port), timeout=5.0)
        except OSError:
            near.close()
            return
        self._pairs[near], self._pairs[far] = far, near
        for one in (near, far):
            ready.register(one, selectors.EVENT_READ)

    def _carry(self, one: socket.socket, ready: selectors.BaseSelector) -> None:
        try:
            data = one.recv(65536)
            if self.cut.is_set():
                if not data:
                    ready.unregister(one)  # the other side is not told
                return
            if data:
                self._pairs[one].sendall(data)
                return
        except OSError:
            pass
        self._end(one, ready)

    def _end(self, one: socket.socket, ready: selectors.BaseSelector) -> None:
        other = self._pairs.pop(one, None)
        if other is None:
            return
        self._pairs.pop(other, None)
        for gone in (one, other):
            if gone.fileno() in ready.get_map():
                ready.unregister(gone)
            gone.close()
