"""Options and guards shared by all tests."""

from __future__ import annotations

import signal

import pytest

# a shell lets what it starts in the background ignore Ctrl-C, and so would the commands under test
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="run the slow tests too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--all"):
        return
    slow = pytest.mark.skip(reason="slow: run with --all")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(slow)
