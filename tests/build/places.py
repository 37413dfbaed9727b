"""Places elsewhere for tests: an S3-compatible server, a shared folder, the memory of the process."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import fsspec

BUCKET = "shelf"


class Place(Protocol):
    """A folder elsewhere, seen from outside the code under test. ``url`` is its address."""

    url: str

    def names(self) -> list[str]: ...
    def read(self, name: str) -> bytes: ...
    def write(self, name: str, data: bytes) -> None: ...
    def remove(self, name: str) -> None: ...
    def set_time(self, name: str, written_s: float) -> None: ...


class Folder:
    def __init__(self, root: Path) -> None:
        self.root, self.url = root, f"file://{root}"

    def names(self) -> list[str]:
        return sorted(p.relative_to(self.root).as_posix() for p in self.root.rglob("*") if p.is_file())

    def read(self, name: str) -> bytes:
        return (self.root / name).read_bytes()

    def write(self, name: str, data: bytes) -> None:
        (self.root / name).parent.mkdir(parents=True, exist_ok=True)
        (self.root / name).write_bytes(data)

    def remove(self, name: str) -> None:
        (self.root / name).unlink()

    def set_time(self, name: str, written_s: float) -> None:
        os.utime(self.root / name, (written_s, written_s))


class Memory:
    def __init__(self, name: str) -> None:
        self.url, self._root = f"memory://{name}", f"/{name}"
        self._fs: Any = fsspec.filesystem("memory")

    def names(self) -> list[str]:
        return sorted(path.removeprefix(self._root + "/") for path in self._fs.find(self._root))

    def read(self, name: str) -> bytes:
        return bytes(self._fs.cat_file(f"{self._root}/{name}"))

    def write(self, name: str, data: bytes) -> None:
        self._fs.pipe_file(f"{self._root}/{name}", data)

    def remove(self, name: str) -> None:
        self._fs.rm_file(f"{self._root}/{name}")

    def set_time(self, name: str, written_s: float) -> None:
        file = self._fs.store[f"{self._root}/{name}"]
        file.created = file.modified = datetime.fromtimestamp(written_s, UTC)


class Bucket:
    """A folder of a bucket on moto's server, which runs in this process."""

    def __init__(self, name: str, endpoint: str) -> None:
        import boto3

        self.url, self._root = f"s3://{BUCKET}/{name}", name
        self._s3: Any = boto3.client("s3", endpoint_url=endpoint)

    def names(self) -> list[str]:
        pages = self._s3.get_paginator("list_objects_v2").paginate(Bucket=BUCKET, Prefix=self._root + "/")
        return sorted(
            entry["Key"].removeprefix(self._root + "/")
            for page in pages
            for entry in page.get("Contents", ())
        )

    def read(self, name: str) -> bytes:
        return bytes(self._s3.get_object(Bucket=BUCKET, Key=f"{self._root}/{name}")["Body"].read())

    def write(self, name: str, data: bytes) -> None:
        self._s3.put_object(Bucket=BUCKET, Key=f"{self._root}/{name}", Body=data)

    def remove(self, name: str) -> None:
        self._s3.delete_object(Bucket=BUCKET, Key=f"{self._root}/{name}")

    def set_time(self, name: str, written_s: float) -> None:
        from moto.s3.models import s3_backends

        (backend,) = [b for account in s3_backends.values() for b in account.values() if BUCKET in b.buckets]
        key = backend.buckets[BUCKET].keys[f"{self._root}/{name}"]
        key.last_modified = datetime.fromtimestamp(written_s, UTC).replace(tzinfo=None)


KEYS = {
    "AWS_ACCESS_KEY_ID": "testing",
    "AWS_SECRET_ACCESS_KEY": "testing",
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_EC2_METADATA_DISABLED": "true",
    "NO_PROXY": "*",
    "no_proxy": "*",
}


@contextmanager
def s3_server() -> Iterator[str]:
    """moto's server with one bucket, for this process and those it starts; its address."""
    from moto.server import ThreadedMotoServer

    before = dict(os.environ)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        endpoint = f"http://{host}:{port}"
        os.environ.update(KEYS, AWS_ENDPOINT_URL=endpoint)
        import boto3

        boto3.client("s3").create_bucket(Bucket=BUCKET)
        yield endpoint
    finally:
        server.stop()
        os.environ.clear()
        os.environ.update(before)


@contextmanager
def place(kind: str, folder: Path, endpoint: str) -> Iterator[Place]:
    """A place of a kind (``s3``, ``file``, ``memory``), empty; ``folder`` is one of the test's own."""
    name = f"{folder.name}/lessons"
    if kind == "s3":
        yield Bucket(name, endpoint)
    elif kind == "file":
        yield Folder(folder / "shared")
        shutil.rmtree(folder / "shared", ignore_errors=True)
    else:
        yield Memory(name)
        fsspec.filesystem("memory").store.clear()
