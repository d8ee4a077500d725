"""What a look at a rig finds: how each device answers, what is wrong where it does not, what can be seen of a pulse.

Pure: samples in, plain values out.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from restart_bench.model.clock import NS_PER_S
from restart_bench.model.rig import Device, Point, Rig
from restart_bench.model.samples import DeviceSamples, SampleKind
from restart_bench.model.units import show_duration
from restart_bench.model.wording import at_most

SILENT_AFTER_NS = NS_PER_S
EXCEPTIONS: dict[int, str] = {
    1: "it does not know the function: wrong table for a point?",
    2: "it has no such address: check the addresses of its points (they count from 0)",
    3: "it refuses the number of items: set `max_bits` or `max_registers` of the device lower",
    4: "it reports a failure of its own",
    6: "it is busy",
    10: "a gateway has no path to the unit: check `unit`",
    11: "the unit behind a gateway does not answer: check `unit`",
}
"""Exception codes of the Modbus application protocol (V1.1b3, 7) and what to look at."""


@dataclass(frozen=True, slots=True)
class DeviceView:
    """One device. Times in nanoseconds; None where no good reply came. `excludes_ns` is its own largest gap between
    good reads plus its input delay: shorter pulses can hide. `wrong` is "" while all is well."""

    name: str
    where: str
    good: int
    bad: int
    answer_median_ns: int | None
    answer_longest_ns: int | None
    excludes_ns: int | None
    wrong: str


def view_device(device: Device, samples: Sequence[DeviceSamples], now_ns: int, used_address: str | None) -> DeviceView:
    """One device from the samples of the last seconds. `used_address` is this computer's own address on the way to
    the device, "" where it has no way at all, None where that is not known."""
    where = f"{device.host}:{device.port}" + (f" unit {device.unit}" if device.unit != 1 else "")
    kinds = _joined([one.records["kind"] for one in samples])
    good = kinds == SampleKind.GOOD
    took = _took_ns(samples)
    gap = _largest_gap_ns(samples, now_ns)
    return DeviceView(
        device.name,
        where,
        int(good.sum()),
        int((kinds != SampleKind.GOOD).sum() - (kinds == SampleKind.ACCEPTED).sum()),
        int(np.median(took)) if len(took) else None,
        int(took.max()) if len(took) else None,
        None if gap is None else gap + device.input_delay_ns,
        diagnose(device, samples, used_address) or _silent_now(device, samples, now_ns),
    )


def _silent_now(device: Device, samples: Sequence[DeviceSamples], now_ns: int) -> str:
    """What to say of a device that answered and does not any more."""
    good = [one.records["received_ns"][one.records["kind"] == SampleKind.GOOD] for one in samples]
    newest = max((int(one.max()) for one in good if len(one)), default=None)
    if newest is None or now_ns - newest <= device.answer_within_ns + SILENT_AFTER_NS:
        return ""
    ask = "is the supply on?" if device.powered_by_supply else "is it powered, is the cable in?"
    return (
        f"it has not answered for {show_duration((now_ns - newest) // NS_PER_S * NS_PER_S)}, before that it did: {ask}"
    )


def _joined(parts: list[npt.NDArray[np.integer]]) -> npt.NDArray[np.integer]:
    return np.concatenate(parts) if parts else np.zeros(0, np.int64)


def _took_ns(samples: Sequence[DeviceSamples]) -> npt.NDArray[np.integer]:
    good = [one.records[one.records["kind"] == SampleKind.GOOD] for one in samples]
    return _joined([one["received_ns"] - one["sent_ns"] for one in good])


def _largest_gap_ns(samples: Sequence[DeviceSamples], now_ns: int) -> int | None:
    """Largest span from a good read's sending to the reply of the next good read of the same request, the span that
    is still open included."""
    largest: int | None = None
    requests = sorted({int(number) for one in samples for number in np.unique(one.records["request"])})
    for request in requests:
        sent = _joined([_good_of(one, request)["sent_ns"] for one in samples])
        received = _joined([_good_of(one, request)["received_ns"] for one in samples])
        if len(sent) == 0:
            continue
        gap = int((received[1:] - sent[:-1]).max()) if len(sent) > 1 else 0
        largest = max(largest or 0, gap, _open_gap(now_ns, int(sent[-1]), gap))
    return largest


def _open_gap(now_ns: int, last_sent_ns: int, known_ns: int) -> int:
    """The span since the last read, once it is longer than polling and handing over explain."""
    still_open = now_ns - last_sent_ns
    return still_open if still_open > 1_000_000_000 + known_ns else 0


def _good_of(samples: DeviceSamples, request: int) -> npt.NDArray[np.void]:
    records = samples.records
    chosen: npt.NDArray[np.void] = records[(records["kind"] == SampleKind.GOOD) & (records["request"] == request)]
    return chosen


def diagnose(device: Device, samples: Sequence[DeviceSamples], used_address: str | None) -> str:
    """What is wrong with a device, as found and with what to check; "" while it answers with values."""
    records = np.concatenate([one.records for one in samples]) if samples else None
    if records is None or len(records) == 0:
        return _no_way(device, used_address) or "nothing was heard of it yet"
    found = {kind: int((records["kind"] == kind).sum()) for kind in SampleKind}
    exceptions = records["exception"][records["kind"] == SampleKind.EXCEPTION]
    if found[SampleKind.GOOD]:
        return _partly(samples)
    if len(exceptions):
        return _exception_text(int(np.bincount(exceptions).argmax()))
    if found[SampleKind.REFUSED]:
        return f"the computer is there but refuses port {device.port}: is its Modbus TCP server enabled, on this port?"
    if found[SampleKind.LATE]:
        return _late_text(device, records[records["kind"] == SampleKind.LATE])
    if found[SampleKind.ACCEPTED] or found[SampleKind.RESET] or found[SampleKind.CLOSED]:
        return (
            f"it accepts connections but does not answer unit {device.unit}: check `unit`; or all its connections are "
            "taken by other clients"
        )
    return _no_way(device, used_address) or (
        f"nothing answers at {device.host}: is it powered, is the cable in, is the address right?"
    )


def _late_text(device: Device, late: npt.NDArray[np.void]) -> str:
    took = int((late["received_ns"] - late["sent_ns"]).max())
    return (
        f"it answers, but only after up to {at_most(took)}, which is later than its `answer_within` of "
        f"{show_duration(device.answer_within_ns)}: set that higher, or look at what makes it slow"
    )


def unit_text(device: Device, unit: int) -> str:
    """What is wrong where answers come under another unit identifier than was asked for; "" where nothing is."""
    if unit == device.unit:
        return ""
    return (
        f"it was asked as unit {device.unit} and answers as unit {unit}: a gateway may pass on the wrong device; "
        "check `unit` and the gateway's table"
    )


def _partly(samples: Sequence[DeviceSamples]) -> str:
    """It answers with values; some of its requests may still be refused every time."""
    for one in samples:
        for number, name in enumerate(one.layout.requests):
            kinds = one.records["kind"][one.records["request"] == number]
            if len(kinds) and not (kinds == SampleKind.GOOD).any() and (kinds == SampleKind.EXCEPTION).any():
                code = int(one.records["exception"][one.records["request"] == number].max())
                return f"{name}: {_exception_text(code)}"
    return ""


def _exception_text(code: int) -> str:
    return f"it answers with exception {code:02d}: {EXCEPTIONS.get(code, 'not a code that the specification names')}"


def _no_way(device: Device, used_address: str | None) -> str:
    if used_address == "":
        return f"this computer has no network that leads to {device.host}: check its own address and cable"
    if used_address is None or _same_network(used_address, device.host):
        return ""
    return (
        f"nothing answers at {device.host}, and this computer would ask from {used_address}: "
        "probably another network; give it an address in the device's network"
    )


def _same_network(one: str, other: str) -> bool:
    """Whether two IPv4 addresses lie in one /24, the usual size on a machine (common practice, no source)."""
    try:
        network = ipaddress.ip_network(f"{one}/24", strict=False)
        return ipaddress.ip_address(other) in network
    except ValueError:
        return True  # names and IPv6: nothing can be said


# ---------------------------------------------------------------- points


@dataclass(frozen=True, slots=True)
class PointPair:
    """An output beside its terminal, or any other point by itself."""

    point: Point
    terminal: Point | None


def pairs_of(rig: Rig) -> tuple[PointPair, ...]:
    """Every point once, in file order, outputs with a terminal first."""
    with_terminal = [
        PointPair(point, rig.points[point.terminal]) for point in rig.points.values() if point.terminal is not None
    ]
    shown = {pair.point.name for pair in with_terminal} | {pair.point.terminal for pair in with_terminal}
    others = [PointPair(point, None) for point in rig.points.values() if point.name not in shown]
    return (*with_terminal, *others)


def all_well(views: Mapping[str, DeviceView]) -> bool:
    """True where every device answers with values."""
    return all(not view.wrong for view in views.values())
