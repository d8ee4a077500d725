"""What goes wrong at a supply, each with an error that says what to check."""

from __future__ import annotations

import errno
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pyModbusTCP.server import DataBank, DataHandler, ModbusServer

from restart_bench_drivers.interface import SupplyError, SupplyLibraryMissing
from restart_bench_drivers.registry import open_supply
from supply_contract import opened_at
from supply_counterparts import Board, Person, Pin, ScpiServer, TcpRelay, VisaSupply, eventually, free_port

NOT_LONG = "200 ms"


def relay_at(port: int, **more: Any) -> Any:
    """A coil relay on this computer."""
    settings = {"host": "127.0.0.1", "port": port, "coil": 3, "answer_within": NOT_LONG, **more}
    return open_supply("modbus-coil", settings, contact="normally-open", ask=None)


class Misbehaving(DataHandler):
    """A relay that answers as a test tells it to."""

    def __init__(self) -> None:
        super().__init__(DataBank(coils_size=16))
        self.exception, self.deaf, self.late_reads = 0, False, 0

    def write_coils(self, address: int, bits_l: list[bool], srv_info: Any) -> DataHandler.Return:
        if self.exception:
            return DataHandler.Return(exp_code=self.exception)
        return DataHandler.Return(exp_code=0) if self.deaf else super().write_coils(address, bits_l, srv_info)

    def read_coils(self, address: int, count: int, srv_info: Any) -> DataHandler.Return:
        if self.late_reads:
            self.late_reads -= 1
            return DataHandler.Return(exp_code=0, data=[False] * count)
        return super().read_coils(address, count, srv_info)


@pytest.fixture
def relay() -> Iterator[tuple[Misbehaving, Any]]:
    handler, port = Misbehaving(), free_port()
    server = ModbusServer("127.0.0.1", port, no_block=True, data_hdl=handler)
    server.start()
    supply = relay_at(port)
    yield handler, supply
    supply.close()
    threading.Thread(target=server.stop, daemon=True).start()


@pytest.fixture
def silent_port() -> Iterator[int]:
    """A port that takes connections and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


@pytest.fixture
def scpi() -> Iterator[ScpiServer]:
    server = ScpiServer()
    yield server
    server.close()


class TestModbusCoil:
    """A relay on the network."""

    def test_a_refusing_peer_is_told_from_a_dead_one(self) -> None:
        """Refused means: the address is taken, the port is not."""
        with pytest.raises(SupplyError, match=r"refuses the connection.*check `host:` and `port:`"):
            relay_at(free_port())

    @pytest.mark.parametrize("reason", [TimeoutError("timed out"), OSError(errno.EHOSTUNREACH, "No route to host")])
    def test_a_dead_peer_sends_to_supply_and_cable(self, monkeypatch: pytest.MonkeyPatch, reason: OSError) -> None:
        """Nothing at all: its supply, the cable, the address, the network."""

        def unreachable(*_: Any, **__: Any) -> None:
            raise reason

        monkeypatch.setattr(socket, "create_connection", unreachable)

        with pytest.raises(SupplyError, match=r"can't be reached .*check its own supply, the cable, `host:`"):
            relay_at(502)

    def test_a_name_that_is_not_known_asks_for_an_address(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Name look-up is not the bench's business."""

        def unknown(*_: Any, **__: Any) -> None:
            raise socket.gaierror(-2, "Name or service not known")

        monkeypatch.setattr(socket, "create_connection", unknown)

        with pytest.raises(SupplyError, match="write `host:` as an IP address"):
            relay_at(502)

    def test_a_silent_peer_points_at_the_unit(self, silent_port: int) -> None:
        """Connected and no answer: mostly the wrong unit, or a second master."""
        with pytest.raises(SupplyError, match=r"no answer within 200 ms, twice: check `unit: 9`.*another master"):
            relay_at(silent_port, unit=9)

    @pytest.mark.parametrize(
        ("code", "cure"),
        [
            (1, "single coils"),
            (2, "addresses count from 0"),
            (4, "fault lamp"),
            (6, "busy"),
            (11, "behind the gateway"),
        ],
    )
    def test_an_exception_reply_is_named_with_its_cure(
        self, relay: tuple[Misbehaving, Any], code: int, cure: str
    ) -> None:
        """The codes are those of the MODBUS Application Protocol V1.1b3, section 7."""
        handler, supply = relay
        handler.exception = code

        with pytest.raises(SupplyError, match=rf"coil 3 \(item 4\) answers with exception {code}: .*{cure}"):
            supply.on()

    def test_a_coil_that_is_not_there_is_found_on_opening(self) -> None:
        """A wrong `coil:` fails before anything is switched."""
        counterpart = TcpRelay()
        with pytest.raises(SupplyError, match=r"exception 2: it has no coil at this address; check `coil:`"):
            relay_at(counterpart.port, coil=900)
        counterpart.close()

    def test_a_coil_that_reads_back_wrong_raises(self, relay: tuple[Misbehaving, Any]) -> None:
        """An acknowledgement is not enough."""
        handler, supply = relay
        handler.deaf = True

        with pytest.raises(SupplyError, match="acknowledged it, but reads back off: check for a second master"):
            supply.on()

    def test_a_relay_that_takes_over_late_is_waited_for(self, relay: tuple[Misbehaving, Any]) -> None:
        """Some take over a written coil only in their next own cycle; `answer_within` is the limit."""
        handler, supply = relay
        handler.late_reads = 5
        supply.on()

        assert supply.is_on() is True

    def test_an_idle_connection_that_the_relay_closed_is_opened_again(self) -> None:
        """Nothing was under way, so nothing is repeated and nothing is counted."""
        proxied = Proxy()
        supply = relay_at(proxied.port)
        proxied.drop_connections()
        supply.on()
        proxied.close()

        assert (supply.retries, proxied.counterpart.energised) == (0, True)

    def test_a_connection_lost_under_way_is_opened_once_more_and_counted(self) -> None:
        """The same coil to the same state is harmless to repeat; rule 11 wants it counted."""
        proxied = Proxy()
        supply = relay_at(proxied.port)
        proxied.lose_next = True
        supply.on()
        proxied.close()

        assert (supply.retries, proxied.counterpart.energised) == (1, True)

    @pytest.mark.parametrize("settings", [{"coil": 1}, {"coil": 1, "host": "192.0.2.30", "serial": "COM3"}])
    def test_either_network_or_serial_line(self, settings: dict[str, Any]) -> None:
        """Neither and both are refused."""
        with pytest.raises(SupplyError, match=r"give either `host:` .* or `serial:`"):
            open_supply("modbus-coil", settings, contact="normally-open", ask=None)

    def test_an_address_beyond_the_table_is_refused(self) -> None:
        """PDU addresses are 0..65535 (MODBUS Application Protocol V1.1b3, 4.4)."""
        with pytest.raises(SupplyError, match=r"coils are 0\.\.65535"):
            relay_at(502, coil=65536)

    def test_a_serial_port_that_is_not_there_says_how_to_list_them(self) -> None:
        """The name is what goes wrong first."""
        with pytest.raises(SupplyError, match=r"no-such-port can't be opened .*serial\.tools\.list_ports"):
            open_supply("modbus-coil", {"serial": "no-such-port", "coil": 0}, contact="normally-open", ask=None)


class TestSerialBoard:
    """A board on a serial port."""

    def test_a_port_that_is_not_there_says_how_to_list_them(self) -> None:
        """The name is what goes wrong first."""
        with pytest.raises(SupplyError, match=r"no-such-port can't be opened .*serial\.tools\.list_ports"):
            self.board("no-such-port")

    def test_the_same_bytes_for_on_and_off_are_refused(self) -> None:
        """A copied line in the rig file."""
        with pytest.raises(SupplyError, match="are the same"):
            self.board("COM3", off_bytes="3C 05 01 38")

    def test_a_question_without_its_answers_is_refused(self) -> None:
        """`ask_bytes`, `says_on` and `says_off` go together."""
        with pytest.raises(SupplyError, match="go together"):
            self.board("COM3", ask_bytes="3C 06")

    def board(self, port: str, **more: Any) -> Any:
        settings = {"port": port, "on_bytes": "3C 05 01 38", "off_bytes": "3C 05 00 39", **more}
        return open_supply("serial-board", settings, contact="normally-open", ask=None)


if os.name == "posix":

    def test_a_port_that_can_not_do_its_parity_is_told_as_one_that_can_not_be_opened() -> None:
        """A pseudo-terminal has none, and says so only when it is told its settings a second time."""
        import pty

        master, slave = pty.openpty()
        settings = {"serial": os.ttyname(slave), "coil": 0, "parity": "even"}
        try:
            with pytest.raises(SupplyError, match=r"can't be opened .*`parity:`"):
                open_supply("modbus-coil", settings, contact="normally-open", ask=None)
        finally:
            os.close(master)
            os.close(slave)

    class TestSerialBoardOnAPort:
        """A board that misbehaves, on a pseudo-terminal."""

        @pytest.fixture
        def board(self) -> Iterator[Board]:
            board = Board()
            yield board
            board.close()

        def test_a_silent_board_is_told_with_what_was_sent(self, board: Board) -> None:
            """Sent, wanted and came, so that a data sheet can be held against them."""
            supply = opened_at(board, "normally-open")
            board.deaf = True

            with pytest.raises(SupplyError, match="3C 05 01 38 and should answer 5A 05 01, but nothing came; check"):
                supply.on()

        def test_a_wrong_answer_points_at_the_line_settings(self, board: Board) -> None:
            """Bytes of another baud rate look like this."""
            supply = opened_at(board, "normally-open")
            board.babbles = True

            with pytest.raises(SupplyError, match=r"but FF FF FF came; check .*`baud:`"):
                supply.on()
            with pytest.raises(SupplyError, match=r"answers FF FF when asked .*`says_on:`"):
                supply.is_on()

        def test_a_relay_that_reads_back_wrong_raises(self, board: Board) -> None:
            """The board acknowledged, and its relay did not move."""
            supply = opened_at(board, "normally-open")
            board.stuck = True

            with pytest.raises(SupplyError, match="says that its relay is released: check"):
                supply.on()

        def test_a_pulled_plug_is_told(self, board: Board) -> None:
            """USB relays fall off their port."""
            supply = opened_at(board, "normally-open")
            board.unplug()

            with pytest.raises(SupplyError, match=r"the port failed .*check the cable and the USB plug"):
                supply.off()

        def test_a_board_without_answers_is_never_guessed(self, board: Board) -> None:
            """Told by bytes alone: obeyed, and `is_on` says None."""
            quiet = {"port", "on_bytes", "off_bytes"}
            board.settings = {key: value for key, value in board.settings.items() if key in quiet}
            supply = opened_at(board, "normally-open")
            supply.on()

            assert eventually(lambda: board.energised)
            assert supply.is_on() is None


class TestGpioPin:
    """A pin of a single-board computer."""

    def test_a_computer_without_pins_says_so(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Most people run it on a laptop first."""
        from gpiozero import Device

        monkeypatch.setattr(Device, "pin_factory", None)
        monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "no_such_factory")

        with pytest.raises(SupplyError, match=r"no GPIO pins can be driven on this computer; .*pip install lgpio"):
            open_supply("gpio-pin", {"pin": 17}, contact="normally-open", ask=None)

    def test_a_pin_that_is_not_there_is_named(self) -> None:
        """A number off the header."""
        counterpart = Pin()
        with pytest.raises(SupplyError, match=r"pin 99 can't be used .*check its number"):
            open_supply("gpio-pin", {"pin": 99}, contact="normally-open", ask=None)
        counterpart.close()

    def test_a_level_that_reads_back_wrong_raises(self) -> None:
        """A short circuit, or a second program."""
        counterpart = Pin()
        supply = opened_at(counterpart, "normally-open")
        counterpart.break_down()

        with pytest.raises(SupplyError, match="its level reads the opposite: check for a short circuit"):
            supply.on()
        counterpart.close()

    def test_a_module_that_is_active_low_is_turned_round(self) -> None:
        """Its pin is high while the relay is released, from the moment it is opened."""
        counterpart = Pin()
        supply = open_supply("gpio-pin", {"pin": "GPIO17", "active": "low"}, contact="normally-open", ask=None)
        levels = [counterpart.pin.state]
        supply.on()
        levels.append(counterpart.pin.state)
        counterpart.close()

        assert levels == [True, False]

    def test_opening_releases_the_relay(self) -> None:
        """So a normally-closed contact keeps the controller powered while the bench starts."""
        counterpart = Pin()
        supply = opened_at(counterpart, "normally-closed")
        on = supply.is_on()
        supply.close()
        counterpart.close()

        assert on is True


class TestScpiSupply:
    """A programmable supply."""

    def test_another_supply_is_not_switched(self, scpi: ScpiServer) -> None:
        """`identity:` is asked for before anything else is said."""
        with pytest.raises(SupplyError, match="does not hold `identity: SN9999`: this is another supply"):
            self.open(scpi, identity="SN9999")
        assert scpi.heard[-1] == "*IDN?"
        assert not any(line.startswith(("OUTP", "VOLT")) for line in scpi.heard)

    def test_what_stood_in_its_error_queue_before_is_not_ours(self, scpi: ScpiServer) -> None:
        """Old errors are read away on opening."""
        scpi.errors = ['-350,"Queue overflow"', '-113,"Undefined header"']
        supply = self.open(scpi)
        supply.on()

        assert scpi.energised

    def test_a_refused_command_is_told_in_the_supplys_own_words(self, scpi: ScpiServer) -> None:
        """SYST:ERR? is asked after each command (SCPI-1999, vol. 1, 4.1; number -222 there)."""
        with pytest.raises(SupplyError, match=r"refuses 'VOLT 400' with the error -222,\"Data out of range\""):
            self.open(scpi).level(400)

    def test_a_supply_without_an_error_queue_is_read_back_all_the_same(self, scpi: ScpiServer) -> None:
        """`error_queue: no` for those that do not answer SYST:ERR?."""
        supply = self.open(scpi, error_queue=False)
        supply.on()

        assert supply.is_on() is True
        assert "SYST:ERR?" not in scpi.heard
        with pytest.raises(SupplyError, match="told to go to 400 V, but reads back 24 V: check its range"):
            supply.level(400)

    def test_a_tripped_output_raises(self, scpi: ScpiServer) -> None:
        """It took the command and stayed off."""
        supply = self.open(scpi)
        scpi.stuck = True

        with pytest.raises(SupplyError, match="told OUTP ON, but says the opposite: check for a tripped protection"):
            supply.on()

    def test_the_output_is_chosen_anew_before_each_command(self, scpi: ScpiServer) -> None:
        """Somebody turns to another output at the front: the other output is not switched."""
        supply = self.open(scpi)
        scpi.channel = 2
        supply.on()

        assert scpi.output == {1: True, 2: False}

    def test_the_full_voltage_of_the_file_ends_a_dip_that_a_killed_run_left(self, scpi: ScpiServer) -> None:
        """With `volts:` the driver need not have seen the voltage before the dip."""
        scpi.volts = 9.6
        supply = self.open(scpi, volts=24)
        untouched = scpi.volts
        supply.on()

        assert (untouched, scpi.volts) == (9.6, 24.0)

    def test_a_peer_that_speaks_something_else_is_told(self, scpi: ScpiServer) -> None:
        """Another service on that port."""
        supply = self.open(scpi, error_queue=False)
        scpi.speaks_scpi = False

        with pytest.raises(SupplyError, match=r"(answers 'HELLO.*to OUTP|more than one line).*check that"):
            supply.is_on()

    def test_an_idle_connection_that_the_supply_closed_is_opened_again(self, scpi: ScpiServer) -> None:
        """Nothing was under way, so nothing is repeated and nothing is counted."""
        supply = self.open(scpi)
        scpi.drop_connections()
        assert eventually(lambda: not scpi.connections)
        time.sleep(0.05)  # the close has to arrive
        supply.on()

        assert (scpi.energised, supply.retries) == (True, 0)

    def test_a_command_lost_with_its_connection_is_told_again(self, scpi: ScpiServer) -> None:
        """Command and read-back go over one connection, so neither is lost alone."""
        supply = self.open(scpi)
        scpi.drop_after = "OUTP ON"
        supply.on()

        assert (scpi.energised, supply.retries) == (True, 1)

    def test_a_silent_supply_is_told_with_the_question(self, scpi: ScpiServer) -> None:
        """Which question, and for how long it was waited."""
        supply = self.open(scpi)
        scpi.silent = True

        with pytest.raises(SupplyError, match=r"no answer to OUTP\? within 200 ms, twice .*check"):
            supply.is_on()

    @pytest.mark.parametrize("answer", ["NAN", "INF", "-INF", "9.91E37", "1e400"])
    def test_what_is_not_finite_is_no_voltage_and_is_never_sent(self, scpi: ScpiServer, answer: str) -> None:
        """An answer that is no voltage is refused, a level that is none is not told, and `on` sends neither."""
        supply = self.open(scpi, volts=24)
        scpi.setting = answer
        with pytest.raises(SupplyError, match="no voltage"):
            supply.level(9.6)
        with pytest.raises(SupplyError, match="no voltage"):
            supply.level(float(answer))
        scpi.setting = None
        supply.on()

        assert {line.partition(" ")[2] for line in scpi.heard if line.startswith("VOLT ")} == {"9.6", "24"}

    def test_a_level_needs_to_know_what_full_is(self, scpi: ScpiServer) -> None:
        """What it is set to now may be the dip of a killed run, so it is not taken for the full voltage."""
        scpi.volts = 9.6
        supply = self.open(scpi, volts=None)
        supply.on()
        with pytest.raises(SupplyError, match="full voltage is not known: write `volts:` or `nominal:`"):
            supply.level(4.8)

        assert scpi.volts == 9.6 and not any(line.startswith("VOLT ") for line in scpi.heard)

    def test_an_answer_that_trickles_ends_at_its_time(self, scpi: ScpiServer) -> None:
        """The time for an answer is for all of it: a byte now and then does not hold the bench."""
        supply = self.open(scpi)
        scpi.trickle = 0.05
        begun = time.monotonic()
        with pytest.raises(SupplyError, match="no answer to"):
            supply.is_on()

        assert time.monotonic() - begun < 60 * scpi.trickle, "an answer of 200 bytes would take 200 of them"

    def test_an_answer_without_end_is_given_up(self, scpi: ScpiServer) -> None:
        """What is longer than any answer is not kept in memory till it ends."""
        supply = self.open(scpi, answer_within="20 s")
        scpi.flood = True
        with pytest.raises(SupplyError, match="longer than any answer"):
            supply.is_on()

    def test_two_answers_to_one_question_are_not_taken_for_one(self, scpi: ScpiServer) -> None:
        """A line too many would be taken for the answer to the next question."""
        supply = self.open(scpi)
        scpi.twice = True
        with pytest.raises(SupplyError, match="more than one line"):
            supply.is_on()

    def test_either_network_or_resource(self) -> None:
        """Neither is refused."""
        with pytest.raises(SupplyError, match=r"give either `host:` .* or `resource:`"):
            open_supply("scpi-supply", {}, contact=None, ask=None)

    def test_a_visa_library_that_is_not_there_says_how_to_get_one(self) -> None:
        """PyVISA itself is only half of what USB needs."""
        with pytest.raises(SupplyError, match=r"no VISA library can be used .*pip install pyvisa-py"):
            open_supply("scpi-supply", {"resource": "USB0::1::2::INSTR", "visa": "@nosuch"}, contact=None, ask=None)

    def test_a_visa_resource_that_is_not_there_is_named(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A wrong serial number: what the VISA library says, and how to list what is there."""
        import pyvisa

        def not_found(*_: Any, **__: Any) -> None:
            raise pyvisa.errors.VisaIOError(pyvisa.constants.StatusCode.error_resource_not_found)

        counterpart = VisaSupply(tmp_path)
        monkeypatch.setattr(pyvisa.ResourceManager, "open_resource", not_found)
        with pytest.raises(SupplyError, match=r"SN5678::INSTR can't be opened .*VI_ERROR_RSRC_NFOUND.*check the name"):
            opened_at(counterpart, None)
        counterpart.close()

    def test_a_supply_that_does_not_say_what_it_is_is_not_used(self, scpi: ScpiServer) -> None:
        """An empty answer to *IDN? comes from something else."""
        scpi.identity = ""
        with pytest.raises(SupplyError, match="does not say what it is; check the address"):
            self.open(scpi)

    def open(self, server: ScpiServer, **more: Any) -> Any:
        settings = {**server.settings, "answer_within": NOT_LONG, **more}
        return open_supply("scpi-supply", settings, contact=None, ask=None)


class TestByHand:
    """A person at a switch."""

    def test_the_question_names_switch_state_and_effect(self) -> None:
        """What to do, where, and what it does: in one sentence."""
        person = Person()
        opened_at(person, None).off()

        assert person.questions == [
            "Switch OFF now: main switch Q1 on the rig's front (the controller loses its power). Is it OFF?"
        ]

    def test_where_nobody_can_answer_it_says_so(self) -> None:
        """In a pipeline there is nobody."""
        supply = open_supply("by-hand", {"switch": "Q1"}, contact=None, ask=None)

        with pytest.raises(SupplyError, match="Q1 has to be switched OFF by hand, but nobody can answer here"):
            supply.off()

    def test_a_person_who_goes_on_saying_no_stops_it(self) -> None:
        """A no is not taken for a yes, and the third is the last that is asked for."""
        person = Person()
        person.refuses = True

        with pytest.raises(SupplyError, match="asked three times, it was not OFF: look at main switch Q1"):
            opened_at(person, None).off()
        assert len(person.questions) == 3
        assert "Not OFF yet; a third no counts as not done. Switch OFF now" in person.questions[-1]

    def test_no_means_not_yet(self) -> None:
        """Who answered too early is asked again, and the supply counts as switched with the yes."""
        answers = [False, True]
        supply = open_supply("by-hand", {"switch": "Q1"}, contact=None, ask=lambda _: answers.pop(0))
        supply.on()
        assert not answers

    def test_an_error_of_the_asking_passes_through(self) -> None:
        """The console is gone: that error, not another one."""

        def nobody(question: str) -> bool:
            raise SupplyError("there is no console")

        supply = open_supply("by-hand", {"switch": "Q1"}, contact=None, ask=nobody)
        with pytest.raises(SupplyError, match="there is no console"):
            supply.on()

    def test_an_empty_name_is_refused(self) -> None:
        """Nobody can find a switch without a name."""
        with pytest.raises(SupplyError, match="name the switch as it is labelled"):
            open_supply("by-hand", {"switch": " "}, contact=None, ask=None)


class TestLibraryMissing:
    """A driver whose library is not installed."""

    @pytest.mark.parametrize(
        ("library", "driver", "settings", "install"),
        [
            ("serial", "serial-board", {"port": "COM3", "on_bytes": "01", "off_bytes": "00"}, "serial"),
            ("serial", "modbus-coil", {"serial": "COM3", "coil": 0}, "serial"),
            ("gpiozero", "gpio-pin", {"pin": 17}, "gpio"),
            ("pyvisa", "scpi-supply", {"resource": "USB0::1::2::INSTR"}, "scpi"),
        ],
    )
    def test_the_answer_is_the_install_line(
        self, monkeypatch: pytest.MonkeyPatch, library: str, driver: str, settings: dict[str, Any], install: str
    ) -> None:
        """A line to paste, with the library's name."""
        monkeypatch.setitem(sys.modules, library, None)

        with pytest.raises(SupplyLibraryMissing) as raised:
            open_supply(driver, settings, contact="normally-open", ask=None)
        assert f"needs the Python library {library}," in str(raised.value)
        assert str(raised.value).endswith(f'install it: pip install "restart-bench[{install}]"')


class Proxy:
    """Between the driver and a relay: passes everything on, and can lose one answer with its connection."""

    def __init__(self) -> None:
        self.counterpart = TcpRelay()
        self.lose_next = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._start(self._accept)

    def _start(self, run: Callable[..., None], *arguments: Any) -> None:
        threading.Thread(target=run, args=arguments, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near = self._listener.accept()[0]
            except OSError:
                return
            self._open.append(near)
            self._start(self._pass_on, near)

    def _pass_on(self, near: socket.socket) -> None:
        with socket.create_connection(("127.0.0.1", self.counterpart.port)) as far, near:
            while request := near.recv(4096):
                far.sendall(request)
                answer = far.recv(4096)
                if self.lose_next:
                    self.lose_next = False
                    return
                near.sendall(answer)

    def drop_connections(self) -> None:
        """Close what is open, as many relays do after a minute of silence."""
        for near in self._open:
            near.shutdown(socket.SHUT_RDWR)
        time.sleep(0.05)  # the close has to arrive

    def close(self) -> None:
        self._listener.close()
        self.counterpart.close()
