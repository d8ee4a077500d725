"""A serial port, opened with an error that says what to check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from restart_bench_drivers.interface import SupplyError

if TYPE_CHECKING:
    from serial import Serial


def opened(
    what: str,
    port: str,
    *,
    baud: int,
    parity: str,
    stop_bits: int,
    within_s: float,
    between_bytes_s: float | None = None,
) -> Serial:
    """The open port, 8 data bits. `what` names the supply in the SupplyError raised otherwise. `between_bytes_s`: the
    longest pause inside an answer."""
    import serial

    line: Serial | None = None
    try:
        line = serial.serial_for_url(
            port,
            baudrate=baud,
            parity=parity[0].upper(),
            stopbits=stop_bits,
            timeout=within_s,
            write_timeout=within_s,
            exclusive=True,
        )
        if between_bytes_s is not None:
            line.inter_byte_timeout = between_bytes_s  # some ports refuse their settings only when told a second time
        return line
    except Exception as fault:  # pyserial also lets through what the platform raises (termios.error is no OSError)
        if line is not None:
            line.close()
        raise SupplyError(
            f"{what}: serial port {port} can't be opened ({fault}): check the name "
            f"(`python -m serial.tools.list_ports` lists them), the cable, the right to use it, `baud:`, `parity:`, "
            f"`stop_bits:`, and that no other program holds it"
        ) from fault
