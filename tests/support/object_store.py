"""An object store on this machine, for tests of what lies in buckets."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(scope="module")
def bucket():
    """A server on this machine that speaks as object stores do; a URL in it."""
    moto_server = pytest.importorskip("moto.server")
    names = ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_EC2_METADATA_DISABLED")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "true"))
    server = moto_server.ThreadedMotoServer(port=0)
    server.start()
    host, port = server.get_host_and_port()
    options = f"endpoint_override={host}:{port}&scheme=http&region=us-east-1"
    import pyarrow.fs

    system, _ = pyarrow.fs.FileSystem.from_uri(f"s3://club?{options}&allow_bucket_creation=true")
    system.create_dir("club")
    yield lambda name: f"s3://club/{name}?{options}"
    server.stop()
    for name, value in before.items():
        os.environ.pop(name) if value is None else os.environ.update({name: value})
