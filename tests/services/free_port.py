"""A loopback port that nobody listens on."""

import socket


def free_port() -> int:
    """A port that was free a moment ago; a server that finds it taken must fail rather than share it."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int, host: str = "127.0.0.1") -> bool:
    """Whether something accepts connections there."""
    try:
        with socket.create_connection((host, port), timeout=1):
            return True
    except OSError:
        return False
