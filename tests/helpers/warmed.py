"""Imported by the server of `warm_process`: what nearly every command imports or makes once, made beforehand."""

from __future__ import annotations

import gc
import importlib
from pathlib import Path

from restart_bench.plc.conditions import parse_condition
from restart_bench.report.record import rendering

for _name in (
    "asyncio", "lark.lark", "numpy.ma", "pyarrow.compute", "pymodbus.client", "pymodbus.server", "pysat.solvers",
    "pytest", "serial", "typer._adapters", "restart_bench.archive.rejudging", "restart_bench.archive.samples",
    "restart_bench.archive.tables", "restart_bench.cli.archive", "restart_bench.cli.check",
    "restart_bench.cli.fleet.__main__", "restart_bench.cli.fleet.performing", "restart_bench.cli.main",
    "restart_bench.observer.__main__", "restart_bench.predict.explaining", "restart_bench.report.console",
    "restart_bench.report.documents", "restart_bench.report.record.writing", "restart_bench.run.session",
    "restart_bench.screen.plain", "restart_bench.simulated.__main__", "restart_bench.simulated.handle",
    "restart_bench_drivers.modbus_coil", "restart_bench_drivers.registry",
):  # fmt: skip
    importlib.import_module(_name)
parse_condition("a")
for _page in (Path(rendering.__file__).parent / "templates").glob("*.html"):
    rendering.template(_page.name)
gc.freeze()  # nothing of this is looked through again by those who begin here
