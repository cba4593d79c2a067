"""A real server that speaks S3, on loopback: moto's, a general-purpose stand-in for object stores (Apache-2.0)."""

from __future__ import annotations

import http.client
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

_PATIENCE_S = 60.0
KEYS = {"AWS_ACCESS_KEY_ID": "k", "AWS_SECRET_ACCESS_KEY": "s", "AWS_DEFAULT_REGION": "us-east-1"}


@contextmanager
def s3_server(bucket: str) -> Iterator[str]:
    """Give the address of *bucket* on a server that lives as long as the block, as `filmtally archive push` takes it.

    The environment must hold KEYS for whoever speaks to it.
    """
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | KEYS,
    )
    try:
        _make_bucket(port, bucket)
        yield f"s3://{bucket}/group?endpoint_override=127.0.0.1:{port}&scheme=http&region=us-east-1"
    finally:
        server.kill()
        server.wait()


def _make_bucket(port: int, bucket: str) -> None:
    end = time.monotonic() + _PATIENCE_S
    while True:
        server = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        try:
            server.request("PUT", f"/{bucket}")
            assert server.getresponse().status == http.HTTPStatus.OK
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
        else:
            return
        finally:
            server.close()
