"""A real S3-speaking server on this machine, and a proxy before it that misbehaves on purpose."""

from __future__ import annotations

import http.client
import itertools
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

KEY, SECRET = "LANTERNKEY0000000001", "marsh-light-no-one-may-see"
"""What the tests log in with; the secret must turn up nowhere."""

_SERVER = """
import logging, sys
from moto.server import ThreadedMotoServer
logging.disable(logging.CRITICAL)
server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
server.start()
print(server.get_host_and_port()[1], flush=True)
sys.stdin.read()
"""


def environment(endpoint: str, **more: str) -> dict[str, str]:
    """The environment of one who uses that store."""
    return {
        "AWS_ENDPOINT_URL": endpoint,
        "AWS_ACCESS_KEY_ID": KEY,
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
        "AWS_CONFIG_FILE": os.devnull,
        "AWS_SHARED_CREDENTIALS_FILE": os.devnull,
        **more,
    }


@cache
def _loader() -> Any:
    from botocore.loaders import create_loader

    return create_loader()


def client(endpoint: str) -> Any:
    """Somebody else's access to the store, with which tests fill it."""
    from botocore.config import Config
    from botocore.session import Session

    session = Session()
    session.register_component("data_loader", _loader())
    return session.create_client(
        "s3",
        endpoint_url=endpoint,
        region_name="us-east-1",
        aws_access_key_id=KEY,
        aws_secret_access_key=SECRET,
        config=Config(request_checksum_calculation="when_required"),
    )


_numbers = itertools.count(1)


class Bucket:
    """A bucket of its own, with which a test does as it likes."""

    def __init__(self, endpoint: str) -> None:
        self.endpoint = endpoint
        self.client = client(endpoint)
        self.name = f"lantern-{os.getpid()}-{next(_numbers)}"
        self.client.create_bucket(Bucket=self.name)

    def put(self, key: str, content: bytes = b"raw", **more: object) -> str:
        """An object; gives its key."""
        self.client.put_object(Bucket=self.name, Key=key, Body=content, **more)
        return key

    def delete(self, key: str) -> None:
        self.client.delete_object(Bucket=self.name, Key=key)

    def put_in_parts(self, key: str, *parts: bytes) -> None:
        """An object uploaded in parts, whose ETag is no checksum of its content."""
        named = {"Bucket": self.name, "Key": key}
        upload = self.client.create_multipart_upload(**named)["UploadId"]
        done = [
            {
                "PartNumber": number,
                "ETag": self.client.upload_part(
                    **named, UploadId=upload, PartNumber=number, Body=part
                )["ETag"],
            }
            for number, part in enumerate(parts, 1)
        ]
        self.client.complete_multipart_upload(
            **named, UploadId=upload, MultipartUpload={"Parts": done}
        )

    def put_tree(self, root: Path, below: str = "") -> None:
        """Every file of a folder, as a copy job would put it there."""
        for path in sorted(root.rglob("*")):
            if path.is_file():
                self.put(below + path.relative_to(root).as_posix(), path.read_bytes())


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Where a store answers."""
    with subprocess.Popen(
        [sys.executable, "-c", _SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        assert port, "the server did not start"
        yield f"http://127.0.0.1:{port}"
        process.kill()


@pytest.fixture
def bucket(server: str, monkeypatch: pytest.MonkeyPatch) -> Bucket:
    """An empty bucket, and the environment in which it is reached."""
    for name in list(os.environ):
        if name.startswith("AWS_"):
            monkeypatch.delenv(name)
    for name, value in environment(server).items():
        monkeypatch.setenv(name, value)
    return Bucket(server)


# --------------------------------------------------------------------------------- the proxy


@dataclass
class Asked:
    """One request that came by."""

    method: str
    path: str
    headers: Mapping[str, str]

    def __str__(self) -> str:
        ranged = self.headers.get("Range", "")
        return f"{self.method} {self.path} {ranged}".rstrip()


@dataclass
class Fault:
    """What is done to requests whose line matches, ``times`` times (None: always)."""

    pattern: str
    status: int = 0
    code: str = ""
    cut_at: int | None = None
    flip: int | None = None
    """The byte of the body that arrives with a bit of it flipped."""
    without: tuple[str, ...] = ()
    """Heads of the request that are kept back."""
    part: Callable[[int], str] | None = None
    """Which part is asked for in place of that from this byte on."""
    headers: Mapping[str, str] = field(default_factory=dict)
    rewrite: tuple[str, str] = ("", "")
    """What in the request's path is replaced by what."""
    before: Callable[[], object] = lambda: None
    """Done before the request goes on."""
    times: int | None = 1


class Proxy(ThreadingHTTPServer):
    """Passes requests on to the store, but for those that a fault is meant for."""

    daemon_threads = True

    def __init__(self, upstream: str) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.upstream = upstream.removeprefix("http://")
        self.endpoint = f"http://127.0.0.1:{self.server_address[1]}"
        self.faults: list[Fault] = []
        self.asked: list[Asked] = []
        self.sent = 0
        """Bytes of bodies of objects that were passed on."""
        self._lock = threading.Lock()

    def fault(self, pattern: str, status: int = 0, code: str = "", **more: Any) -> None:
        """Have a fault happen from now on."""
        self.faults.append(Fault(pattern, status, code, **more))

    def fault_for(self, asked: Asked) -> Fault | None:
        with self._lock:
            self.asked.append(asked)
            for fault in self.faults:
                if fault.times != 0 and re.search(fault.pattern, str(asked)):
                    fault.times = None if fault.times is None else fault.times - 1
                    return fault
        return None

    def of(self, pattern: str) -> list[Asked]:
        """The requests so far that match."""
        return [each for each in self.asked if re.search(pattern, str(each))]

    def count(self, size: int) -> None:
        with self._lock:
            self.sent += size


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Proxy

    def log_message(self, *_: object) -> None:
        """Says nothing."""

    def _pass_on(self) -> None:
        asked = Asked(self.command, self.path, dict(self.headers))
        fault = self.server.fault_for(asked) or Fault("")
        if fault.status:
            body = f"<Error><Code>{fault.code}</Code><Message>{SECRET}</Message></Error>".encode()
            self._answer(fault.status, {"Content-Type": "application/xml"}, body, fault)
            return
        fault.before()
        length = int(self.headers.get("Content-Length", 0))
        for name in fault.without:
            del self.headers[name]
        if fault.part is not None:
            start = int(self.headers["Range"].removeprefix("bytes=").partition("-")[0])
            self.headers.replace_header("Range", fault.part(start))
        connection = http.client.HTTPConnection(self.server.upstream, timeout=60)
        try:
            connection.request(
                self.command,
                self.path.replace(*fault.rewrite),
                self.rfile.read(length),
                dict(self.headers),
            )
            answer = connection.getresponse()
            body = answer.read()
            headers = dict(answer.getheaders())
        finally:
            connection.close()
        if self.command == "GET" and "list-type" not in self.path and answer.status < 300:
            self.server.count(len(body))
        self._answer(answer.status, headers, body, fault)

    def _answer(self, status: int, headers: dict[str, str], body: bytes, fault: Fault) -> None:
        length = str(len(body))
        for name in list(headers):
            if name.lower() == "content-length" and self.command == "HEAD":
                length = headers[name]
            if name.lower() in ("connection", "transfer-encoding", "content-length"):
                del headers[name]
        if fault.flip is not None:
            body = bytearray(body)
            body[fault.flip] ^= 1
        self.send_response_only(status)
        for name, value in {**headers, **fault.headers}.items():
            self.send_header(name, value)
        self.send_header("Content-Length", length)
        self.end_headers()
        if self.command == "HEAD":
            return
        if fault.cut_at is not None:
            self.wfile.write(body[: fault.cut_at])
            self.wfile.flush()
            self.close_connection = True
            self.connection.shutdown(2)
            return
        self.wfile.write(body)

    do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = _pass_on  # noqa: N815


@contextmanager
def proxy_before(endpoint: str) -> Iterator[Proxy]:
    """A proxy before a store, without any fault yet."""
    with Proxy(endpoint) as proxy:
        thread = threading.Thread(target=proxy.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield proxy
        finally:
            proxy.shutdown()
            thread.join()


@pytest.fixture
def proxy(bucket: Bucket, monkeypatch: pytest.MonkeyPatch) -> Iterator[Proxy]:
    """A proxy by which the store of ``bucket`` is reached from now on."""
    with proxy_before(bucket.endpoint) as found:
        monkeypatch.setenv("AWS_ENDPOINT_URL", found.endpoint)
        yield found
