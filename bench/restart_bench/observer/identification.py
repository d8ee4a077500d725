"""What a device says it is: Modbus function 43 / 14, Read Device Identification (MODBUS Application Protocol
V1.1b3, 6.21), asked on a connection of its own that is closed before the sampling begins.

So sampling never knows of it: no request more, no connection more, none unanswered. A device that does not know the
function, answers nonsense, or does not answer within its time says nothing of itself, and that is no fault. Only what
was dark or busy then is asked again, once it is read (`Introductions`).
"""

from __future__ import annotations

import socket
import struct
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.rig import Device, Identity
from restart_bench.observer.modbus import BrokenStream, Frame, FrameReader

FUNCTION, MEI_TYPE, BASIC = 0x2B, 0x0E, 0x01
WITHIN_NS = NS_PER_S
"""Longer than any read may take: a server that does not know the function may answer so only after its own time-out
(libmodbus: 500 ms in which it answers nothing), and who was not heard is asked again, amid the sampling."""
_VENDOR, _PRODUCT, _REVISION = 0, 1, 2  # object identifiers of the basic identification
_PUT_OFF = (0x05, 0x06, 0x0A, 0x0B)  # exceptions: acknowledged, busy, and a gateway behind which nobody answers yet
_EXCEPTION = 0x80
_MOST_TIMES = 3  # that a device is asked once it answers
_UNIT_AT = 6  # the unit identifier in a header of Modbus TCP
_HEAD = struct.Struct(">BBBBBBB")  # function, MEI type, code, conformity, more follows, next object, objects


def identification_pdu() -> bytes:
    """The request for all objects of the basic identification."""
    return bytes((FUNCTION, MEI_TYPE, BASIC, 0))


def identification_of(pdu: bytes) -> Identity | None:
    """What an answer says; None for an exception, another function, or an answer that makes no sense."""
    if len(pdu) < _HEAD.size:
        return None
    function, kind, _, _, _, _, count = _HEAD.unpack_from(pdu)
    if (function, kind) != (FUNCTION, MEI_TYPE):
        return None
    objects: dict[int, str] = {}
    at = _HEAD.size
    for _ in range(count):
        if at + 2 > len(pdu) or at + 2 + pdu[at + 1] > len(pdu):
            return None
        number, length = pdu[at], pdu[at + 1]
        objects[number] = pdu[at + 2 : at + 2 + length].decode("ascii", "replace")
        at += 2 + length
    return Identity(*(objects.get(number, "").strip() for number in (_VENDOR, _PRODUCT, _REVISION)))


@dataclass(frozen=True, slots=True)
class Greeting:
    """What came of asking a device: under which unit identifier it answered, and what it says it is, if it does."""

    unit: int
    identity: Identity | None


class Introductions:
    """What the devices of a run say they are. Who was not heard at its beginning is asked again, from a thread of its
    own, once it is read."""

    def __init__(
        self,
        devices: Iterable[Device],
        heard: Mapping[str, Greeting],
        ask: Callable[[Iterable[Device]], dict[str, Greeting]] | None = None,
    ) -> None:
        self.heard = dict(heard)
        self._devices = {device.name: device for device in devices}
        self._ask = greetings if ask is None else ask
        self._times: Counter[str] = Counter()
        self._asking: threading.Thread | None = None
        self._new: dict[str, Greeting] = {}

    @property
    def unheard(self) -> tuple[str, ...]:
        """The devices that have not said anything yet, not even that they do not know the question."""
        return tuple(name for name in self._devices if name not in self.heard)

    def ask(self, answering: Callable[[str], bool]) -> bool:
        """Has those asked that answer by now; does not wait. True once nobody is left to be asked or waited for."""
        if self._asking is not None and self._asking.is_alive():
            return False
        due = [name for name in self.unheard if name not in self._new and self._times[name] < _MOST_TIMES]
        due = [name for name in due if answering(name)]
        if due:
            self._times.update(due)
            self._asking = threading.Thread(target=self._hear, args=(due,), daemon=True, name="introductions")
            self._asking.start()
        return not due

    def _hear(self, due: Sequence[str]) -> None:
        self._new |= self._ask(self._devices[name] for name in due)

    def new(self) -> dict[str, Greeting]:
        """Who was heard since this was asked last."""
        if self._asking is not None and self._asking.is_alive():
            return {}
        new, self._new = self._new, {}
        self.heard |= new
        return new


def greetings(devices: Iterable[Device]) -> dict[str, Greeting]:
    """All devices asked at once; without those that did not answer."""
    asked = list(devices)
    if not asked:
        return {}
    with ThreadPoolExecutor(len(asked)) as asking:
        told = list(asking.map(_asked, asked))
    return {device.name: one for device, one in zip(asked, told, strict=True) if one is not None}


def identities(heard: Mapping[str, Greeting]) -> dict[str, Identity]:
    """What the devices say they are; without those that say nothing of themselves."""
    return {name: one.identity for name, one in heard.items() if one.identity is not None}


def _asked(device: Device) -> Greeting | None:
    try:
        return _greeting_at(device.host, device.port, device.unit, now_ns() + WITHIN_NS)
    except (OSError, BrokenStream):
        return None


def _greeting_at(host: str, port: int, unit: int, until_ns: int) -> Greeting | None:
    """What stands at this address answers. Raises OSError where nobody answers until then, BrokenStream where
    what answers speaks no Modbus."""
    with socket.create_connection((host, port), timeout=_left_s(until_ns)) as connection:
        connection.sendall(Frame(unit, identification_pdu()).numbered(1))
        frames, heard = FrameReader(), b""
        while True:
            connection.settimeout(_left_s(until_ns))
            data = connection.recv(1024)
            if not data:
                return None
            heard += data
            for _, pdu in frames.feed(data):
                if pdu[0] & _EXCEPTION and pdu[1] in _PUT_OFF:
                    return None
                return Greeting(heard[_UNIT_AT], identification_of(pdu))


def _left_s(until_ns: int) -> float:
    return max(0.001, (until_ns - now_ns()) / NS_PER_S)
