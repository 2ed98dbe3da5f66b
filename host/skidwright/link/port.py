"""Serial ports and `socket://host:port`, opened for one program alone; their faults as our errors.

Everything above this module sees bytes in, bytes out, and `PortError`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports as serial_list

from skidwright.errors import PortBusy, PortDenied, PortError, PortGone, PortNotFound

# USB serial takes no notice of it; a real UART in between would.
BAUD = 115200
# How long a board that has stopped reading may hold up a request (a flash erase takes 0.05 s).
WRITE_TIMEOUT_S = 5.0
# A short command has its port for less.
BUSY_WAIT_S = 2.0
_BUSY_LOOK_S = 0.05
_GONE = "check the cable and the board's power, then repeat: nothing is lost"
_RASPBERRY_PI_VID = 0x2E8A


class Port(Protocol):
    """What the session needs of a port."""

    name: str

    def read(self, timeout_s: float) -> bytes:
        """Bytes as soon as there are any; b"" after `timeout_s`. Raises PortGone."""

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises PortGone, PortError when the other end does not take it."""

    def close(self) -> None:
        """Close the port; never raises."""


@dataclass(frozen=True)
class PortInfo:
    """A port of this machine: its name, what the system says of it, whether a Pico-class board is likely."""

    name: str
    description: str
    usb_id: str
    likely: bool


def list_ports() -> list[PortInfo]:
    """The serial ports of this machine, likely boards first, then by name."""
    found = []
    for port in serial_list.comports():
        usb_id = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else ""
        likely = port.vid == _RASPBERRY_PI_VID or "micropython" in (port.manufacturer or "").lower()
        found.append(PortInfo(port.device, port.description or "", usb_id, likely))
    return sorted(found, key=lambda port: (not port.likely, port.name))


def open_port(name: str) -> Port:
    """Open a serial port by name, or a TCP connection by `socket://host:port`.

    A port that is in use is waited for up to BUSY_WAIT_S: it may be another short command that has it.
    Raises PortNotFound, PortBusy, PortDenied, or PortError for what is no serial port.
    """
    if name.startswith("socket://"):
        return SocketPort(name)
    deadline = time.monotonic() + BUSY_WAIT_S
    while True:
        try:
            return SerialPort(name)
        except PortBusy:
            if time.monotonic() >= deadline:
                raise
            time.sleep(_BUSY_LOOK_S)


class SerialPort:
    """A serial port through pyserial, locked against other programs where the system can."""

    def __init__(self, name: str) -> None:
        self.name = name
        try:
            self._serial = serial.Serial(name, BAUD, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _opening_error(name, error) from None
        # Straight from the descriptor where there is one: pyserial's own read asks the system far more often.
        self._descriptor = self._serial.fileno() if os.name == "posix" else -1

    def read(self, timeout_s: float) -> bytes:
        try:
            if self._descriptor < 0:
                return self._read_portably(timeout_s)
            if not select.select([self._descriptor], [], [], timeout_s)[0]:
                return b""
            data = os.read(self._descriptor, 65536)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _gone(self.name, error) from None
        if not data:
            raise _gone(self.name, EOFError())
        return data

    def _read_portably(self, timeout_s: float) -> bytes:
        """Where a port is no file descriptor (Windows)."""
        port = self._serial
        if not port.in_waiting:
            port.timeout = timeout_s
            first: bytes = port.read(1)
            if not first:
                return b""
            port.timeout = 0
            rest: bytes = port.read(port.in_waiting)
            return first + rest
        data: bytes = port.read(port.in_waiting)
        return data

    def write(self, data: bytes) -> None:
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException:
            raise PortError(
                "what is connected takes no data", self.name, "check that the board runs, reset it if need be"
            ) from None
        except (serial.SerialException, OSError, TypeError) as error:
            raise _gone(self.name, error) from None

    def close(self) -> None:
        with contextlib.suppress(OSError, serial.SerialException):
            self._serial.close()


class SocketPort:
    """A TCP connection in place of a cable, for a virtual board on a machine without pseudo-terminals."""

    def __init__(self, name: str) -> None:
        self.name = name
        parts = urlsplit(name)
        try:
            host, port = parts.hostname, parts.port
        except ValueError:
            host, port = None, None
        if not host or not port:
            raise PortNotFound("not an address", name, "write socket://HOST:PORT")
        try:
            self._socket = socket.create_connection((host, port), timeout=WRITE_TIMEOUT_S)
        except OSError as error:
            remedy = "check that the virtual skid runs there"
            raise PortNotFound(error.strerror or str(error), name, remedy) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self, timeout_s: float) -> bytes:
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return b""
            data = self._socket.recv(65536)
        except (OSError, ValueError) as error:
            raise _gone(self.name, error) from None
        if not data:
            raise PortGone("the other end has closed the connection", self.name, _GONE)
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except (OSError, ValueError) as error:
            raise _gone(self.name, error) from None

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()


def _gone(name: str, error: Exception) -> PortGone:
    return PortGone("the connection broke off", name, _GONE)


def _opening_error(name: str, error: Exception) -> PortError:
    code = getattr(error, "errno", None)
    text = str(error)
    if code is None and "PermissionError" in text:  # Windows: open elsewhere
        code = errno.EBUSY
    if code is None and "FileNotFoundError" in text:
        code = errno.ENOENT
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        there = ", ".join(port.name for port in list_ports()) or "none"
        return PortNotFound("no such port", name, f"plug the board in; ports here now: {there}")
    if code in (errno.EBUSY, errno.EAGAIN):
        return PortBusy("in use by another program", name, "end it there (Ctrl-C in its window), then repeat")
    if code in (errno.EACCES, errno.EPERM):
        return PortDenied(
            "you may not open it", name, "on Linux: sudo usermod -a -G dialout $USER, then log in again"
        )
    return PortError("not a serial port", name, "`skidwright ports` lists the ports of this machine")
