"""A static server for one pattern folder: nothing outside it, no listings, nothing written."""

from __future__ import annotations

import http.server
import ipaddress
import os
import shutil
import socket
import stat
import urllib.parse
from email.utils import formatdate
from http import HTTPStatus
from pathlib import Path

from blurscope.errors import OutputError, SettingsError
from blurscope.files import show_path

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".png": "image/png",
    ".mp4": "video/mp4",
}


def make_server(folder: str | os.PathLike[str], address: str = "127.0.0.1", port: int = 0) -> PlateServer:
    """Return a server bound to ``address``; call ``serve_forever`` on it.

    Raises
    ------
    SettingsError
        The folder holds no pattern page, or the address is none.
    OutputError
        The address or port can't be had.
    """
    root = Path(folder)
    if not root.is_dir():
        raise SettingsError(f"{show_path(root)} is not a folder; make one with 'blurscope pattern'")
    if not (root / "index.html").is_file() or not any((root / n).is_file() for n in ("pattern.json", "plates.json")):
        raise SettingsError(f"{show_path(root)} holds no pattern page; make one with 'blurscope pattern'")
    try:
        ip = ipaddress.ip_address("127.0.0.1" if address == "localhost" else address)
    except ValueError:
        raise SettingsError(f"{address!r:.60} is no IP address; give one of this machine, or 0.0.0.0") from None
    try:
        return PlateServer(root, ip, port)
    except OSError as exc:
        raise OutputError(
            f"{ip} port {port} can't be listened at ({exc.strerror}); give another --port or --address"
        ) from None


def urls_of(server: PlateServer) -> list[str]:
    """Return the addresses under which the page can be reached, as far as this machine knows them."""
    host, port = server.server_address[:2]
    ip = ipaddress.ip_address(str(host).partition("%")[0])
    hosts = [str(ip)]
    if ip.is_unspecified:
        hosts = ["127.0.0.1" if ip.version == 4 else "::1"]
        outward = _own_address(ip.version)
        if outward and outward not in hosts:
            hosts.insert(0, outward)
    return [f"http://[{h}]:{port}/" if ":" in h else f"http://{h}:{port}/" for h in hosts]


def _own_address(version: int) -> str | None:
    """The address this machine would use on its network; nothing is sent to find it."""
    family, probe = (socket.AF_INET, "192.0.2.1") if version == 4 else (socket.AF_INET6, "2001:db8::1")
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((probe, 9))
            return sock.getsockname()[0]
    except OSError:
        return None


class PlateServer(http.server.ThreadingHTTPServer):
    """Serves the regular files below one folder, for reading."""

    daemon_threads = True

    def __init__(self, root: Path, ip: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int) -> None:
        self.root = Path(os.path.realpath(root))
        self.address_family = socket.AF_INET6 if ip.version == 6 else socket.AF_INET
        super().__init__((str(ip), port), _Handler)

    def find(self, url_path: str) -> Path | None:
        """Return the file that a request may have, or None."""
        text = urllib.parse.urlsplit(url_path).path
        try:
            text = urllib.parse.unquote(text, errors="strict")
        except UnicodeDecodeError:
            return None
        parts = [p for p in text.split("/") if p]
        if not text.startswith("/") or any(p.startswith(".") or "\\" in p or "\0" in p or ":" in p for p in parts):
            return None
        path = self.root.joinpath(*parts)
        if path.is_dir():
            path = path / "index.html"
        try:
            real = Path(os.path.realpath(path, strict=True))
        except OSError:
            return None
        if not real.is_relative_to(self.root) or real.suffix not in TYPES or path.suffix not in TYPES:
            return None
        return real


class _Handler(http.server.BaseHTTPRequestHandler):
    server: PlateServer
    server_version = "plate"
    sys_version = ""
    timeout = 30

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def _answer(self, *, body: bool) -> None:
        found = self.server.find(self.path)
        path = urllib.parse.urlsplit(self.path).path
        if found is not None and not path.endswith("/") and Path(path).suffix not in TYPES:
            self.send_response(HTTPStatus.MOVED_PERMANENTLY)  # a folder: its page's links start from inside it
            self.send_header("Location", "/" + path.strip("/") + "/")
            self.send_header("Content-Length", "0")
            self.end_headers()
            return
        try:
            stream = open(found, "rb") if found is not None else None
        except OSError:
            stream = None
        if stream is None:
            self.send_error(HTTPStatus.NOT_FOUND)
            return
        with stream:
            info = os.fstat(stream.fileno())
            if not stat.S_ISREG(info.st_mode):
                self.send_error(HTTPStatus.NOT_FOUND)
                return
            self.send_response(HTTPStatus.OK)
            self.send_header("Content-Type", TYPES[found.suffix])
            self.send_header("Content-Length", str(info.st_size))
            self.send_header("Last-Modified", formatdate(info.st_mtime, usegmt=True))
            self.send_header("Cache-Control", "no-cache")
            self.send_header("X-Content-Type-Options", "nosniff")
            self.end_headers()
            if body:
                try:
                    shutil.copyfileobj(stream, self.wfile)
                except (BrokenPipeError, ConnectionResetError):
                    self.close_connection = True

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing: the terminal shows the address only."""
