"""``blurscope serve``: bring the pattern page to a device on the local network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("serve")(serve)


def serve(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="A folder made by 'blurscope pattern'.")],
    address: Annotated[
        str, typer.Option(help="Address to listen at; this machine only unless another is given, 0.0.0.0 for all.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = 8360,
) -> None:
    """Serve a pattern folder so that a phone, handheld or TV on the local network can play it.

    Example: blurscope serve plate --address 192.168.1.20

    Only that folder is served, read-only. It stops with Ctrl-C.
    """
    from blurscope.pattern.server import make_server, urls_of

    server = make_server(out, address, port)
    with server:
        for url in urls_of(server):
            echo(url)
        echo("Ctrl-C stops it", err=True)
        import sys

        sys.stdout.flush()
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            echo("stopped", err=True)
