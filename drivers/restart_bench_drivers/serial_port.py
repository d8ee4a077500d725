"""A serial port, opened with an error that says what to check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from restart_bench_drivers.interface import SupplyError

if TYPE_CHECKING:
    from serial import Serial


def opened(what: str, port: str, *, baud: int, parity: str, stop_bits: int, within_s: float) -> Serial:
    """The open port, 8 data bits. `what` names the supply in the SupplyError raised otherwise."""
    import serial

    try:
        return serial.serial_for_url(
            port,
            baudrate=baud,
            parity=parity[0].upper(),
            stopbits=stop_bits,
            timeout=within_s,
            write_timeout=within_s,
            exclusive=True,
        )
    except Exception as fault:  # pyserial also lets through what the platform raises (termios.error is no OSError)
        raise SupplyError(
            f"{what}: serial port {port} can't be opened ({fault}): check the name "
            f"(`python -m serial.tools.list_ports` lists them), the cable, the right to use it, `baud:`, `parity:`, "
            f"`stop_bits:`, and that no other program holds it"
        ) from fault
