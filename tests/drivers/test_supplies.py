"""Every supply driver against a real counterpart, under one contract."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from supply_contract import LevelContract, SupplyContract
from supply_counterparts import (
    Board,
    Counterpart,
    LineInAFile,
    Person,
    Pin,
    RtuRelay,
    ScpiServer,
    TcpRelay,
    VisaSupply,
)


def until_closed(counterpart: Counterpart) -> Iterator[Counterpart]:
    """The counterpart for one test."""
    yield counterpart
    counterpart.close()


class TestModbusCoilOverTcp(SupplyContract):
    """A coil on pyModbusTCP's server."""

    @pytest.fixture
    def counterpart(self) -> Iterator[Counterpart]:
        yield from until_closed(TcpRelay())


class TestGpioPin(SupplyContract):
    """A pin of gpiozero's mock factory."""

    @pytest.fixture
    def counterpart(self) -> Iterator[Counterpart]:
        yield from until_closed(Pin())


class TestScpiOverTcp(SupplyContract, LevelContract):
    """A SCPI server on a plain socket."""

    @pytest.fixture
    def counterpart(self) -> Iterator[Counterpart]:
        yield from until_closed(ScpiServer())


class TestScpiOverVisa(SupplyContract, LevelContract):
    """A USB supply of PyVISA-sim."""

    @pytest.fixture
    def counterpart(self, tmp_path: Path) -> Iterator[Counterpart]:
        yield from until_closed(VisaSupply(tmp_path))


class TestByHand(SupplyContract):
    """A scripted person."""

    @pytest.fixture
    def counterpart(self) -> Iterator[Counterpart]:
        yield from until_closed(Person())


class TestThirdParty(SupplyContract):
    """A package that somebody else installed joins by its entry point."""

    @pytest.fixture
    def counterpart(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Counterpart]:
        monkeypatch.syspath_prepend(tmp_path / "site")
        yield from until_closed(LineInAFile(tmp_path))
        sys.modules.pop("workshop_supplies", None)


if os.name == "posix":  # pseudo-terminals; the drivers themselves open COM ports just the same

    class TestModbusCoilOnASerialLine(SupplyContract):
        """A coil on pymodbus' RTU server at the other end of a pseudo-terminal pair."""

        @pytest.fixture
        def counterpart(self) -> Iterator[Counterpart]:
            yield from until_closed(RtuRelay())

    class TestSerialBoard(SupplyContract):
        """A scripted board on a pseudo-terminal."""

        @pytest.fixture
        def counterpart(self) -> Iterator[Counterpart]:
            yield from until_closed(Board())
