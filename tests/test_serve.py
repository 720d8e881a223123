"""``blurscope serve``: the folder, only the folder, and only where it was asked to listen."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import threading
import urllib.request

import pytest

from blurscope.cli import main
from blurscope.errors import OutputError, SettingsError
from blurscope.pattern.server import make_server, urls_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    base = tmp_path_factory.mktemp("serve")
    (base / "secret.json").write_text("{}")
    (base / "P-other").mkdir()
    (base / "P-other" / "index.html").write_text("other")
    out = base / "P"
    assert main(["pattern", str(out), "--size", "800x480", "--px-per-refresh", "8", "--frames", "1"]) == 0
    (out / "link.json").symlink_to(base / "secret.json")
    (out / "linked").symlink_to(base / "P-other")
    (out / "inside.json").symlink_to(out / "pattern.json")
    (out / "empty").mkdir()
    (out / ".hidden.json").write_text("{}")
    (out / "notes.txt").write_text("x")
    return out


@pytest.fixture(scope="module")
def server(folder):
    with make_server(folder) as running:
        thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        yield running
        running.shutdown()
        thread.join(5)


def ask(server, path, method="GET"):
    link = http.client.HTTPConnection(*server.server_address[:2], timeout=5)
    link.putrequest(method, path, skip_accept_encoding=True)
    link.endheaders()
    answer = link.getresponse()
    body = answer.read()
    link.close()
    return answer, body


def test_files_are_served_as_they_are(server, folder):
    for path, name, kind in (
        ("/", "index.html", "text/html"),
        ("/index.html", "index.html", "text/html"),
        ("/pattern.json?x=1", "pattern.json", "application/json"),
        ("/frame_0000.png", "frame_0000.png", "image/png"),
        ("/inside.json", "pattern.json", "application/json"),
    ):
        answer, body = ask(server, path)
        assert answer.status == 200 and body == (folder / name).read_bytes()
        assert answer.getheader("Content-Type").startswith(kind)
        assert answer.getheader("X-Content-Type-Options") == "nosniff"
    answer, body = ask(server, "/pattern.json", "HEAD")
    assert answer.status == 200 and body == b""
    assert int(answer.getheader("Content-Length")) == (folder / "pattern.json").stat().st_size


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.json", "/%2e%2e/secret.json", "/..%2fsecret.json", "/a/../../secret.json", "//secret.json/../..",
        "/..\\secret.json", "/%5c..%5csecret.json", "/link.json", "/linked/", "/linked/index.html", "/linked",
        "/../P-other/index.html", "/empty/", "/empty", "/.hidden.json", "/notes.txt", "/no.html", "/%ff.json",
        "/pattern.json%00.png", "/etc/passwd", "http://elsewhere/../secret.json", "*",
    ],
)  # fmt: skip
def test_nothing_else_is(server, path):
    answer, body = ask(server, path)
    assert answer.status in (400, 404)
    assert b"secret" not in body and body != b"other" and body != b"{}"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_read_only(server, method):
    assert ask(server, "/pattern.json", method)[0].status in (405, 501)


def test_plates_have_their_pages(tmp_path):
    out = tmp_path / "P"
    assert main(["pattern", str(out), "--size", "800x480", "--px-per-refresh", "8", "--plates", "2"]) == 0
    with make_server(out) as running:
        threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        url = urls_of(running)[0]
        assert b"plate_2/index.html" in urllib.request.urlopen(url, timeout=5).read()
        assert urllib.request.urlopen(url + "plate_2/", timeout=5).read() == (out / "plate_2/index.html").read_bytes()
        answer, _ = ask(running, "/plate_2")
        assert answer.status == 301 and answer.getheader("Location") == "/plate_2/"
        running.shutdown()


def test_loopback_unless_told_otherwise(folder):
    with make_server(folder) as running:
        assert running.server_address[0] == "127.0.0.1"
        assert urls_of(running) == [f"http://127.0.0.1:{running.server_address[1]}/"]
    with make_server(folder, "0.0.0.0") as running:
        assert all("0.0.0.0" not in url for url in urls_of(running))


@pytest.mark.skipif(not socket.has_ipv6, reason="no IPv6 here")
def test_ipv6_address_is_written_in_brackets(folder):
    try:
        running = make_server(folder, "::1")
    except OutputError:
        pytest.skip("no IPv6 loopback here")
    with running:
        assert urls_of(running)[0].startswith("http://[::1]:")


def test_refusals(folder, tmp_path, capsys):
    with pytest.raises(SettingsError, match="is not a folder"):
        make_server(tmp_path / "none")
    with pytest.raises(SettingsError, match="no pattern page"):
        make_server(tmp_path)
    with pytest.raises(SettingsError, match="no IP address"):
        make_server(folder, "example.invalid")
    with make_server(folder) as running:
        with pytest.raises(OutputError, match="--port"):
            make_server(folder, "127.0.0.1", running.server_address[1])
    assert main(["serve", str(tmp_path)]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["serve", str(folder), "--port", "70000"]) == 2


def test_command_prints_its_address(folder):
    command = [sys.executable, "-m", "blurscope", "serve", str(folder), "--port", "0"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "env": os.environ}
    # a shell's background job ignores Ctrl-C, and so would its children
    heed = lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)  # noqa: E731
    with subprocess.Popen(command, **pipes, preexec_fn=heed) as run:
        try:
            url = run.stdout.readline().strip()
            assert url.startswith("http://127.0.0.1:")
            assert urllib.request.urlopen(url, timeout=10).read() == (folder / "index.html").read_bytes()
        finally:
            run.send_signal(2)
            _, said = run.communicate(timeout=15)
    assert run.returncode == 0 and "Traceback" not in said
