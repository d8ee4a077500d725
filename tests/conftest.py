"""Tests that share a costly fixture of their module stay on one worker, and so do those that measure rates."""

from __future__ import annotations

import pytest


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Groups for `--dist loadgroup`: without them every worker would make the fixture again."""
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            group = "benchmarks" if "benchmarks" in item.nodeid else _shares_a_fixture(item)
            if group:
                item.add_marker(pytest.mark.xdist_group(group))


def _shares_a_fixture(item: pytest.Item) -> str:
    """The module's name where a fixture lives as long as the module, "" else."""
    info = getattr(item, "_fixtureinfo", None)
    if info is None:
        return ""
    made = [fixture for name in info.names_closure for fixture in info.name2fixturedefs.get(name, ())]
    here = any(fixture.scope == "module" and fixture.baseid for fixture in made)
    return item.nodeid.partition("::")[0] if here else ""
