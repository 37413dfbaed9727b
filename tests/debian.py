"""What a test does when a Debian package it needs is not there."""

from __future__ import annotations

import os

import pytest


def needs(present: bool, package: str) -> pytest.MarkDecorator:
    """Mark a test that needs a Debian package: skipped with its reason where it is absent,
    run all the same (and so failing) where LESSONWRIGHT_NO_SKIP is set."""
    must = bool(os.environ.get("LESSONWRIGHT_NO_SKIP"))
    return pytest.mark.skipif(
        not present and not must, reason=f"the Debian package {package} is not installed"
    )
