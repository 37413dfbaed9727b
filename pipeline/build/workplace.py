"""Where a build keeps its things."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.build.receipt import Receipts
from pipeline.build.work import StorePlace
from pipeline.errors import MissingError

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
            full = error.errno in (errno.ENOSPC, errno.EDQUOT)
            remedy = "free some space there" if full else "change its permissions"
            raise MissingError(
                f"{home}: cannot keep results there ({error.strerror or error}); "
                f"choose another folder with --out, or {remedy}"
            ) from error
        # workers may be started in another folder
        address = store if store and "://" in store else str(Path(store or home).absolute())
        return cls(out, StorePlace(address, home.absolute()))

    @property
    def making(self) -> Path:
        return self.out.absolute() / STORE_FOLDER / "making"

    @property
    def receipts(self) -> Receipts:
        return Receipts(self.out / STORE_FOLDER / "receipts")
