"""Where a build keeps its things."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.build.receipt import Receipts
from pipeline.build.store import cannot_keep
from pipeline.build.work import StorePlace

STORE_FOLDER: Final = ".store"


@dataclass(frozen=True)
class Workplace:
    """Where a build keeps its things: all below ``<out>/.store`` but the results, if they are
    to be elsewhere."""

    out: Path
    store: StorePlace

    @classmethod
    def at(cls, out: Path, store: str | None) -> Workplace:
        """Raises MissingError when ``out`` cannot be written."""
        home = out / STORE_FOLDER
        try:
            home.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot_keep(home, error) from error
        # workers may be started in another folder
        address = store if store and "://" in store else str(Path(store or home).absolute())
        return cls(out, StorePlace(address, home.absolute()))

    @property
    def home(self) -> Path:
        return self.out.absolute() / STORE_FOLDER

    @property
    def receipts(self) -> Receipts:
        return Receipts(self.home / "receipts")

    @property
    def heard(self) -> Path:
        """See :mod:`pipeline.read.heard`."""
        return self.home / "heard"
