"""Saving from the review page: nothing half, nothing twice, no version lost."""

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tapsig.report import serving
from tapsig.report.serving import ReviewServer, save_label_text

TEXT = "onset_s,kind\n{},tap\n"


@pytest.fixture
def server(tmp_path: Path) -> Iterator[ReviewServer]:
    with ReviewServer(lambda url: "page", tmp_path / "labels.csv", end_s=1e6) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


def post(server: ReviewServer, body: bytes, length: int) -> bytes:
    """The answer to a request whose body ends early or late, as HTTP would send it."""
    here = f"127.0.0.1:{server.server_port}"
    head = f"POST /{server.token}/labels HTTP/1.0\r\nHost: {here}\r\nContent-Length: {length}\r\n\r\n"
    with socket.create_connection(("127.0.0.1", server.server_port)) as connection:
        connection.sendall(head.encode() + body)
        connection.shutdown(socket.SHUT_WR)
        return b"".join(iter(lambda: connection.recv(4096), b""))


def test_a_body_shorter_than_its_length_is_refused(server: ReviewServer) -> None:
    server.save_to.write_text(TEXT.format(4))
    body = (TEXT.format(1) + "2,tap\n").encode()
    answer = post(server, body[:-6], len(body))  # what came is a label file, with one label less
    assert b" 400 " in answer
    assert b"19 of 25 bytes" in answer
    assert server.save_to.read_text() == TEXT.format(4)
    assert post(server, body, len(body)).startswith(b"HTTP/1.0 200")


def test_of_many_saves_at_once_every_version_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    save_label_text(path, TEXT.format(0).encode(), end_s=99.0)
    start = threading.Barrier(16)

    def save(number: int) -> None:
        start.wait()
        save_label_text(path, TEXT.format(number).encode(), end_s=99.0)

    threads = [threading.Thread(target=save, args=(number,)) for number in range(1, 17)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = sorted(file.read_text() for file in tmp_path.iterdir())
    assert found == sorted(TEXT.format(number) for number in range(17))


def test_two_servers_on_one_file_lose_no_version(tmp_path: Path) -> None:
    """Each in a process of its own; one knows the file by another name."""
    path, link = tmp_path / "labels.csv", tmp_path / "link.csv"
    path.write_text(TEXT.format(0))
    link.symlink_to(path)
    code = (
        "import sys; from pathlib import Path; from tapsig.report.serving import save_label_text\n"
        "sys.stdin.readline()\n"
        "for number in range(int(sys.argv[2]), int(sys.argv[2]) + 20):\n"
        "    save_label_text(Path(sys.argv[1]), f'onset_s,kind\\n{number},tap\\n'.encode(), end_s=99.0)\n"
    )
    saving = [
        subprocess.Popen([sys.executable, "-c", code, str(name), first], stdin=subprocess.PIPE, text=True)
        for name, first in ((path, "1"), (link, "21"))
    ]
    for process in saving:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    assert [process.wait(timeout=120) for process in saving] == [0, 0]
    for process in saving:
        process.stdin.close()
    found = [file.read_text() for file in tmp_path.iterdir() if not file.is_symlink()]
    assert sorted(found) == sorted(TEXT.format(number) for number in range(41))


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text(TEXT.format(0))
    link.symlink_to(real)
    save_label_text(link, TEXT.format(1).encode(), end_s=9.0)
    assert link.is_symlink()
    assert real.read_text() == TEXT.format(1)


def test_a_full_disk_leaves_no_half_backup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "labels.csv"
    path.write_text(TEXT.format(0))

    def fail(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="No space"):
        save_label_text(path, TEXT.format(1).encode(), end_s=9.0)
    assert [file.name for file in tmp_path.iterdir()] == ["labels.csv"]


def test_an_idle_connection_is_closed(server: ReviewServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving._Handler, "timeout", 0.05)
    with socket.create_connection(("127.0.0.1", server.server_port)) as connection:
        connection.settimeout(10.0)
        begun = time.monotonic()
        assert connection.recv(1) == b""  # the server hung up
        assert time.monotonic() - begun < 9.0
