"""Messages of the bench port: a JSON header and raw bytes, each with its length in front."""

from __future__ import annotations

import json
import socket
import struct
from collections.abc import Mapping
from typing import Any

_LENGTHS = struct.Struct(">II")  # bytes of the header, bytes of the payload
_LONGEST_HEADER, _LONGEST_PAYLOAD = 1 << 16, 1 << 27


class FramingError(Exception):
    """What came is not a message of the bench port, or the other side has gone."""


def send_message(connection: socket.socket, header: Mapping[str, Any], payload: bytes = b"") -> None:
    """Send one message."""
    head = json.dumps(header).encode()
    connection.sendall(_LENGTHS.pack(len(head), len(payload)) + head)
    if payload:
        connection.sendall(payload)


def receive_message(connection: socket.socket) -> tuple[dict[str, Any], bytes]:
    """Return header and payload of the next message.

    Raises
    ------
    FramingError
        When the connection ends, or what comes is no message.
    """
    head_bytes, payload_bytes = _LENGTHS.unpack(_exactly(connection, _LENGTHS.size))
    if head_bytes > _LONGEST_HEADER or payload_bytes > _LONGEST_PAYLOAD:
        raise FramingError(f"message of {head_bytes} + {payload_bytes} bytes is too long")
    head = _exactly(connection, head_bytes)
    payload = _exactly(connection, payload_bytes)
    try:
        header = json.loads(head)
    except ValueError as error:
        raise FramingError(f"header is not JSON: {error}") from error
    if not isinstance(header, dict):
        raise FramingError("header is not a JSON object")
    return header, payload


def _exactly(connection: socket.socket, count: int) -> bytes:
    data = bytearray(count)
    view, have = memoryview(data), 0
    while have < count:
        got = connection.recv_into(view[have:])
        if got == 0:
            raise FramingError("the other side has closed the connection")
        have += got
    return bytes(data)
