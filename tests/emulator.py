"""S3-compatible object storage on this machine: moto's server, in a process of its own.

`python -m tests.emulator PORT` serves it.  Buckets whose names begin with ``careless`` do not heed
If-None-Match, as some storages do not.
"""

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import boto3

KEYS = {"AWS_ACCESS_KEY_ID": "here", "AWS_SECRET_ACCESS_KEY": "only", "AWS_REGION": "us-east-1"}

START_S = 60.0


@dataclass(frozen=True)
class Storage:
    """An emulator that runs: its address, what the environment must say, its client."""

    endpoint: str
    environment: dict[str, str]
    client: Any

    def bucket(self, name: str) -> str:
        """Make a bucket and return its address."""
        self.client.create_bucket(Bucket=name)
        return f"s3://{name}"

    def keys(self, bucket: str, prefix: str = "") -> list[str]:
        """Return the keys of a bucket that begin alike."""
        pages = self.client.get_paginator("list_objects_v2").paginate(Bucket=bucket, Prefix=prefix)
        return [item["Key"] for page in pages for item in page.get("Contents", ())]

    def check_keys(self, after: float) -> None:
        """Let the storage refuse keys that it does not know, after that many requests."""
        address = f"{self.endpoint}/moto-api/reset-auth"
        plain = {"Content-Type": "text/plain"}
        request = urllib.request.Request(address, str(after).encode(), plain, method="POST")
        urllib.request.urlopen(request).close()


@contextmanager
def emulate(log: Path) -> Iterator[Storage]:
    """Run an emulator inside the block."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    home = str(Path(__file__).parents[1])
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.emulator", str(port)],
            stdout=out,
            stderr=out,
            cwd=home,
            env={**os.environ, "PYTHONPATH": home},
        )
    try:
        _await(process, port, log)
        endpoint = f"http://127.0.0.1:{port}"
        client = boto3.client(
            "s3",
            endpoint_url=endpoint,
            region_name=KEYS["AWS_REGION"],
            aws_access_key_id=KEYS["AWS_ACCESS_KEY_ID"],
            aws_secret_access_key=KEYS["AWS_SECRET_ACCESS_KEY"],
        )
        yield Storage(endpoint, {**KEYS, "AWS_ENDPOINT_URL": endpoint}, client)
    finally:
        process.terminate()
        process.wait(20)


def _await(process: Any, port: int, log: Path) -> None:
    last = time.monotonic() + START_S
    while time.monotonic() < last and process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError(f"the emulator did not start:\n{log.read_text()}")


def serve(port: int) -> None:
    """Serve until the process ends."""
    from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
    from werkzeug.serving import run_simple

    storage = DomainDispatcherApplication(create_backend_app)

    def app(environ: dict[str, Any], start_response: Any) -> Any:
        if environ["PATH_INFO"].startswith("/careless"):
            environ.pop("HTTP_IF_NONE_MATCH", None)
        return storage(environ, start_response)

    run_simple("127.0.0.1", port, app, threaded=True)


if __name__ == "__main__":
    serve(int(sys.argv[1]))
