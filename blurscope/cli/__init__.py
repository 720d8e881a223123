"""The command line: parse, call one function, print. Errors are caught once, in `main`."""

from __future__ import annotations

import contextlib
import sys
from importlib import import_module

import typer

from blurscope import __version__
from blurscope.cli._table import echo
from blurscope.errors import BlurscopeError
from blurscope.files import show_path

COMMAND_MODULES = (
    "demo",
    "pattern",
    "serve",
    "plan",
    "measure",
    "edge",
    "steps",
    "trace",
    "predict",
    "check",
    "compare",
    "report",
    "simulate",
)

app = typer.Typer(
    name="blurscope",
    help="Turn pursuit photos of displays into blur figures with uncertainties that can be defended.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(show: bool) -> None:
    if show:
        echo(f"blurscope {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version and stop."
    ),
) -> None:
    pass


for _name in COMMAND_MODULES:
    import_module(f"blurscope.cli.{_name}").register(app)


def main(argv: list[str] | None = None) -> int:
    """Run the command line; return 0 (done), 1 (refused or failed, one sentence on stderr) or 2 (wrong usage)."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError):  # a stream of the caller's own
            stream.reconfigure(errors="replace")  # a terminal without an arrow gets a question mark
    try:
        app(args=argv)
    except BlurscopeError as exc:
        echo(f"blurscope: {exc}", err=True)
        return 1
    except SystemExit as stop:
        return int(stop.code or 0) if not isinstance(stop.code, str) else 1
    except KeyboardInterrupt:
        echo("blurscope: stopped", err=True)
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except OSError as exc:
        echo(f"blurscope: {show_path(exc.filename or 'a file')[:200]} can't be used ({exc.strerror or exc})", err=True)
        return 1
    except MemoryError:
        echo("blurscope: out of memory; use a smaller picture or fewer at once", err=True)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
