"""The one way our HTML pages are rendered: escaped, and refusing what the template misnames."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2


def page_environment(package: str) -> jinja2.Environment:
    """An environment over the ``templates`` folder of one of our packages."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader(package, "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def file_size(count: int) -> str:
    """``1.4 MB``: decimal units, as file managers show."""
    amount, units = float(count), ["B", "kB", "MB", "GB"]
    while amount >= 999.5 and len(units) > 1:
        amount, units = amount / 1000, units[1:]
    return f"{amount:.0f} {units[0]}" if amount >= 10 or units[0] == "B" else f"{amount:.1f} {units[0]}"
