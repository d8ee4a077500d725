"""Scenario files as tests: `pytest scenarios/grain-dryer --restart-simulated`.

Only options and hints stand here, so that pytest starts no slower where nobody uses them; what runs scenarios is in
`items` and is loaded when `--restart-simulated` or `--restart-arm` is given. Without either, scenario files
are left alone: nothing is collected, nothing is moved.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PLUGIN = "restart_bench_items"
_MOST_LOOKED_AT = 200


def pytest_addoption(parser: pytest.Parser) -> None:
    """The plug-in's options, as `run` has them."""
    group = parser.getgroup("restart-bench", "restart tests of controllers (restart-bench)")
    group.addoption(
        "--restart-simulated", action="store_true", help="run scenario files on their simulated rig; moves no hardware"
    )
    group.addoption("--restart-arm", metavar="RIG", help="arm the real rig of this name: it WILL be switched")
    group.addoption("--restart-program", metavar="FILE", help="another program model to simulate")
    group.addoption("--restart-repeat", metavar="N", type=_cycles, help="cycles of each case")
    group.addoption(
        "--restart-logs",
        metavar="DIR",
        default=os.environ.get("RESTART_BENCH_LOGS", "logs"),
        help="the archive of runs (default: %(default)s)",
    )


def _cycles(text: str) -> int:
    number = int(text)
    if number < 1:
        raise ValueError(text)
    return number


def is_used(config: pytest.Config) -> bool:
    """True where scenario files are to be run."""
    return bool(config.getoption("--restart-simulated") or config.getoption("--restart-arm"))


def pytest_configure(config: pytest.Config) -> None:
    """Load the items where they are asked for. Refuses (UsageError) what can't be meant."""
    if not is_used(config):
        return
    if config.getoption("--restart-simulated") and config.getoption("--restart-arm"):
        raise pytest.UsageError(
            "--restart-simulated moves no hardware and --restart-arm switches a real rig; give one of them"
        )
    if config.getoption("--restart-arm") and config.getoption("--restart-program"):
        raise pytest.UsageError("--restart-program is what a simulated rig runs; give it with --restart-simulated")
    if config.getoption("dist", "no") == "each":
        raise pytest.UsageError("--dist each would let every worker switch the same rig; leave it out")
    config.addinivalue_line("markers", "xdist_group(name): tests of one rig stay on one worker of pytest-xdist")
    from restart_bench.pytest_plugin.items import ScenarioRuns

    config.pluginmanager.register(ScenarioRuns(config), PLUGIN)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, exitstatus: int, config: pytest.Config) -> None:
    """Where nothing was collected but scenario files lie there: say how they are run."""
    if exitstatus != pytest.ExitCode.NO_TESTS_COLLECTED or is_used(config):
        return
    paths = [config.invocation_params.dir / argument.split("::")[0] for argument in config.args]
    if any(_holds_a_rig(path) for path in paths):
        terminalreporter.write_line(
            "restart-bench: scenario files were left alone. Add --restart-simulated to run them on their "
            "simulated rig, or --restart-arm RIG to switch the real one."
        )


def _holds_a_rig(path: Path) -> bool:
    if path.is_file():
        return path.suffix in (".yaml", ".yml") and (path.parent / "rig.yaml").is_file()
    if not path.is_dir():
        return False
    folders = [path, *sorted(one for one in path.iterdir() if one.is_dir())[:_MOST_LOOKED_AT]]
    return any((folder / "rig.yaml").is_file() for folder in folders)
