"""Keeps the server from asking any other host, and writes down every attempt.

Python tells its own "audit hooks" of each connection and each look-up of a name before it happens
(PEP 578). A hook cannot be taken away again, so a library that calls home is stopped as well.
"""

import ipaddress
import sys
from collections.abc import Callable
from typing import Any

Note = Callable[[dict[str, object]], None]

# socket events: place of the address, or of the host, among the event's values
ADDRESS = {"socket.connect": 1, "socket.sendto": 1, "socket.sendmsg": 1}
HOST = {"socket.getaddrinfo": 0, "socket.gethostbyname": 0}


class NotLoopbackError(PermissionError):
    """A library wanted to ask another host."""


def is_loopback(host: str) -> bool:
    """Whether a name or number means this machine and never leaves it.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("192.0.2.7")
    (True, True, False)
    """
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.split("%")[0]).is_loopback
    except ValueError:
        return False


def is_number(host: str) -> bool:
    """Whether a host is an address already, so that no name server is asked."""
    try:
        ipaddress.ip_address(host.split("%")[0])
    except ValueError:
        return False
    return True


def stay_at_home(note: Note) -> None:
    """Refuse every connection to another host from now on, for as long as this process lives.

    Parameters
    ----------
    note : callable
        Told of each attempt: event, host, and whether it was let through.
    """

    def hook(event: str, values: tuple[Any, ...]) -> None:
        if not event.startswith("socket."):
            return
        if event in ADDRESS:
            address = values[ADDRESS[event]]
            if not isinstance(address, tuple):  # a pipe of this machine, or already connected
                return
            host = str(address[0])
            fine = is_loopback(host)
        elif event in HOST:
            asked = values[HOST[event]]
            if asked is None or asked == b"" or asked == "":
                return
            host = asked.decode("ascii", "replace") if isinstance(asked, bytes) else str(asked)
            fine = is_loopback(host)
            if is_number(host):  # nobody is asked who a number is
                return
        else:
            return
        note({"what": "outgoing", "event": event, "host": host, "let_through": fine})
        if not fine:
            msg = f"{host} is not this machine; smokecase asks no other host"
            raise NotLoopbackError(msg)

    sys.addaudithook(hook)
