"""Properties are checked without a stopwatch: a busy machine is no bug."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
