"""A record made on a cluster of two workers, one of which ends in the middle: the same bytes."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from busproc.album.rendering import render_album
from tests.album.test_record import write_album
from tests.album.test_side_by_side import everything, start, wait_for

pytestmark = pytest.mark.slow

pytest.importorskip("distributed")
DASK = Path(sys.executable).with_name("dask")


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def running(*arguments):
    """A process of the cluster; its words go nowhere."""
    command = [str(DASK), *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def worker(address, folder):
    return running(
        "worker", address, "--nthreads", 1, "--no-nanny", "--no-dashboard", "--local-directory", folder
    )


def test_one_worker_ends_in_the_middle_and_the_bytes_are_the_same(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -5.0, -2.0, -4.0))
    render_album(album, tmp_path / "here")
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with (
        running("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"),
        worker(address, tmp_path / "one"),
        worker(address, tmp_path / "two") as ended,
    ):
        process = start("album", album, "--out", tmp_path / "there", "--cluster", address)
        wait_for(process, "rendering")
        time.sleep(0.3)
        ended.kill()
        words, told = process.communicate(timeout=120)
    assert process.returncode == 0, told
    assert "4 rendered" in words
    assert everything(tmp_path / "there") == everything(tmp_path / "here")
