"""Machines on loopback that answer, but not as a mail server should."""

import socket
import threading


class LineByLine:
    """Gives each caller the same answers in turn, whatever it is told, and hangs up after the last one.

    After an answer that begins with 354 it reads up to the closing dot, else one line.
    """

    def __init__(self, *answers: bytes) -> None:
        self._answers = answers
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        while True:
            try:
                connection, _peer = self._listening.accept()
            except OSError:  # closed: the test is over
                return
            with connection:
                self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        with connection.makefile("rb") as lines:
            for answer in self._answers:
                connection.sendall(answer + b"\r\n")
                ends = (b".\r\n", b"") if answer.startswith(b"354") else None
                while (line := lines.readline()) and ends is not None and line not in ends:
                    pass

    def __enter__(self) -> int:
        """Returns the port."""
        self._thread.start()
        return int(self._listening.getsockname()[1])

    def __exit__(self, *_error: object) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._thread.join(timeout=10)
