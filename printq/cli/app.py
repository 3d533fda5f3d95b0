"""Registers the commands; the one place that turns errors into exit statuses."""

from __future__ import annotations

import sys
import traceback

import typer

from printq.cli.accept import accept
from printq.cli.archive import archive
from printq.cli.audit import audit
from printq.cli.check import check
from printq.cli.devices import devices
from printq.cli.line_check import line_check
from printq.cli.measure import measure
from printq.cli.new import new
from printq.cli.null import null
from printq.cli.plan import plan
from printq.cli.reprint import reprint
from printq.cli.restore import restore
from printq.cli.run import run
from printq.cli.schema import schema
from printq.cli.status import status
from printq.errors import ExitStatus, JobError, PrintqError

__all__ = ["app", "run_command_line"]

INTERRUPTED = 130

app = typer.Typer(
    name="printq",
    help="A print queue for analog inserts: plays stems through outboard, lines the returns up, proves them, "
    "and files the prints beside the dry stems.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command in (
    new,
    check,
    devices,
    line_check,
    plan,
    run,
    status,
    measure,
    null,
    accept,
    reprint,
    archive,
    audit,
    restore,
    schema,
):
    app.command()(command)


@app.callback(invoke_without_command=True)
def _options(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", help="Say which version this is, and end."),
) -> None:
    if version:
        import printq

        typer.echo(f"printq {printq.__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def run_command_line() -> int:
    """Run the command that was typed and return its exit status.

    Expected errors are one line on standard error; with `--json` they are a document on standard output as well.
    Surprises keep their traceback.
    """
    try:
        app()
    except JobError as error:
        _report(error, [problem.line_of_text() for problem in error.problems])
        return error.exit_status
    except PrintqError as error:
        _report(error, [str(error)])
        return error.exit_status
    except BrokenPipeError:
        return ExitStatus.INTERNAL  # nobody reads what we say any more
    except (KeyboardInterrupt, SystemExit) as end:
        # typer turns an interrupt into the shell's own status for one.
        status = INTERRUPTED if isinstance(end, KeyboardInterrupt) else end.code
        if status == INTERRUPTED:
            typer.echo("stopped at once; nothing is lost, the next run goes on", err=True)
            return ExitStatus.STOPPED
        return status if isinstance(status, int) else ExitStatus.USAGE
    except Exception:
        traceback.print_exc()
        typer.echo("This is a mistake in printq. No dry file is ever written to; prints are whole or absent.", err=True)
        return ExitStatus.INTERNAL
    return ExitStatus.DONE


def _report(error: PrintqError, lines: list[str]) -> None:
    for line in lines:
        typer.echo(line, err=True)
    if "--json" in sys.argv:
        from printq.cli.render import json_text

        document = {"error": {"kind": type(error).__name__, "message": str(error), "exit_status": error.exit_status}}
        typer.echo(json_text(document))
