"""What devices say they are: answers as the specification prints them, and devices that say nothing of themselves.

Source: MODBUS Application Protocol Specification V1.1b3, 6.21 (function 43 / 14, Read Device Identification).
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from time import sleep

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.model.rig import Device, Identity
from restart_bench.observer.identification import (
    Greeting,
    Introductions,
    greetings,
    identification_of,
    identification_pdu,
    identities,
)

PRINTED = b"".join(
    (
        bytes.fromhex("2B 0E 01 01 00 00 03"),
        bytes((0, 22)) + b"Company identification",
        bytes((1, 15)) + b"Product code XX",
        bytes((2, 5)) + b"V2.11",
    )
)


def test_the_request_is_the_one_that_the_specification_prints() -> None:
    """6.21, example "Read Device Identification request for basic device identification"."""
    assert identification_pdu() == bytes.fromhex("2B 0E 01 00")


def test_the_answer_that_the_specification_prints_is_understood() -> None:
    """The same example: vendor, product code and revision, each with its length."""
    assert identification_of(PRINTED) == Identity("Company identification", "Product code XX", "V2.11")


@given(st.binary(max_size=60))
def test_no_answer_whatever_it_holds_ends_in_a_traceback(tail: bytes) -> None:
    """What makes no sense says nothing."""
    for pdu in (tail, b"\x2b\x0e\x01\x01\x00\x00" + tail, PRINTED[: len(tail)]):
        assert identification_of(pdu) is None or isinstance(identification_of(pdu), Identity)


@pytest.mark.parametrize("pdu", ["AB 01", "AB 0B", "01 01 00", ""])
def test_an_exception_says_nothing_of_the_device(pdu: str) -> None:
    """A device that does not know the function answers with exception 01, and that is no fault."""
    assert identification_of(bytes.fromhex(pdu)) is None


@contextmanager
def answering(reply: bytes | None, after_s: float = 0.0) -> Iterator[int]:
    """A server for one client that sends these bytes for whatever it is asked (None: stays silent), some time later."""
    heard: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            client, _ = listener.accept()
            with client:
                heard.append(client.recv(100))
                sleep(after_s)
                if reply is not None:
                    client.sendall(reply)
                while client.recv(100):  # until it lets go
                    pass

        serving = threading.Thread(target=serve, daemon=True)
        serving.start()
        yield listener.getsockname()[1]
        serving.join(10)
        assert not serving.is_alive()  # the connection was closed: the observer finds the device free
        assert len(heard) == 1


@pytest.mark.parametrize(
    ("reply", "found"),
    [
        (b"\x00\x01\x00\x00" + (len(PRINTED) + 1).to_bytes(2, "big") + b"\x01" + PRINTED, True),
        (bytes.fromhex("00 01 00 00 00 03 01 AB 01"), False),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", False),
        (None, False),
    ],
)
def test_a_device_is_asked_once_and_let_go_of(reply: bytes | None, found: bool) -> None:
    """One request on one connection that is closed again, whatever comes of it."""
    with answering(reply) as port:
        device = Device("independent", "127.0.0.1", port=port, answer_within_ns=50_000_000)
        assert (device.name in identities(greetings([device]))) is found


def test_the_unit_that_answers_is_told() -> None:
    """Also where it is another one than was asked, and does not know the function."""
    with answering(bytes.fromhex("00 01 00 00 00 03 07 AB 01")) as port:
        heard = greetings([Device("independent", "127.0.0.1", port=port, answer_within_ns=50_000_000)])
    assert heard["independent"].unit == 7 and heard["independent"].identity is None


def test_who_takes_long_to_say_no_is_heard() -> None:
    """A server in C stands still for half a second before it says that it does not know the function: asked again while
    it is sampled, it would miss that much of it each time."""
    with answering(bytes.fromhex("00 01 00 00 00 03 01 AB 01"), after_s=0.5) as port:
        assert "controller" in greetings([Device("controller", "127.0.0.1", port=port, answer_within_ns=50_000_000)])


def test_where_nobody_listens_nothing_is_said() -> None:
    """A device that is off or refuses is left out."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    assert greetings([Device("controller", "127.0.0.1", port=port)]) == {}


def test_who_is_busy_has_not_said_yet_what_it_is() -> None:
    """Exception 06 (server device busy, same specification, 7) puts the question off; 01 answers it for good."""
    for code, heard in ((0x06, False), (0x01, True)):
        with answering(bytes((0, 1, 0, 0, 0, 3, 1, 0xAB, code))) as port:
            assert ("controller" in greetings([Device("controller", "127.0.0.1", port=port)])) is heard, code


def test_who_was_dark_at_first_is_asked_once_it_answers_and_never_for_ever() -> None:
    """Not before it is read; not a second time once it was heard; three times where nothing comes of it."""
    asked: list[str] = []

    def ask(devices: Iterable[Device]) -> dict[str, Greeting]:
        names = [device.name for device in devices]
        asked.extend(names)
        return {name: Greeting(1, None) for name in names if name != "mute"}

    devices = [Device(name, "192.0.2.1") for name in ("heard", "dark", "mute")]
    one = Introductions(devices, {"heard": Greeting(1, None)}, ask)
    assert one.ask(lambda _name: False) and not asked and one.unheard == ("dark", "mute")
    for _ in range(200):
        if one.ask(lambda _name: True):
            break
        sleep(0.01)
    one.new()
    assert sorted(asked) == ["dark", "mute", "mute", "mute"] and one.unheard == ("mute",)
