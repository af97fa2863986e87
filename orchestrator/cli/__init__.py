"""The command ``trialbed``: verbs, options and exit statuses.

Nothing heavy is imported here, so that ``--help`` answers at once; each command imports what it needs when it runs.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from pathlib import Path

import click

from orchestrator import __version__
from orchestrator.cli.keeping import restore, verify
from orchestrator.cli.leases import leases
from orchestrator.cli.reading import judge, list_runs, read, schema, show
from orchestrator.cli.running import check, resume, run
from orchestrator.cli.sandboxing import sandbox
from orchestrator.cli.status import status as status_command
from orchestrator.errors import TrialbedError

EXIT_STATUSES = """
\b
Exit status:
  0    done
  1    the answer is no: a series is not steady, no shape can be
       recommended, a run's files are not as they were written, a guest
       is not as it was, or the sandbox is not up
  2    wrong input, or the store cannot be read or written
  3    some trials failed, the run gave up, or the guest could not be put back
  4    the lab cannot be reached or is in use, and nothing was changed;
       or the sandbox cannot be made here
  70   a defect in trialbed itself
  130  interrupted (also by SIGTERM and SIGHUP); the guest was put back
"""

WRONG_INPUT, DEFECT, INTERRUPTED = 2, 70, 130
TRACE = "TRIALBED_TRACE"
_OUTPUT_LOST = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF})


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}, epilog=EXIT_STATUSES)
@click.version_option(__version__, "-V", "--version", prog_name="trialbed")
def cli() -> None:
    """Measure how many vCPUs a virtual machine needs, and say with evidence which shape fits.

    \b
    A first run, on this machine, without a hypervisor:
      trialbed check plans/first.yaml
      trialbed run plans/first.yaml
      trialbed show last
    """


for command in (
    check,
    run,
    resume,
    restore,
    status_command,
    list_runs,
    show,
    verify,
    read,
    judge,
    schema,
    leases,
    sandbox,
):
    cli.add_command(command)


def main() -> None:
    """Run the command; every known failure is one message on standard error and an exit status."""
    _fill_closed_streams()
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a character must not cost the answer.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    sys.exit(invoke(sys.argv[1:]))


def invoke(arguments: list[str]) -> int:
    """Run the command line and return its exit status; see :data:`EXIT_STATUSES`."""
    try:
        status = int(cli.main(arguments, prog_name="trialbed", standalone_mode=False) or 0)
    except click.exceptions.Exit as end:
        status = end.exit_code
    except click.ClickException as error:
        error.show()
        status = WRONG_INPUT
    except (click.Abort, KeyboardInterrupt):
        click.echo("trialbed: interrupted", err=True)
        status = INTERRUPTED
    except TrialbedError as error:
        click.echo(f"trialbed: {error}", err=True)
        status = error.exit_status
    except BrokenPipeError:
        _drop_output()  # whoever read it has left
        status = 0
    except OSError as error:
        # Files are read and written by name, and their errors are told where they arise; what is left is the output.
        if error.errno not in _OUTPUT_LOST or error.filename is not None:
            status = _defect(error)
        else:
            _drop_output()
            click.echo(f"trialbed: the output cannot be written: {error.strerror}", err=True)
            status = WRONG_INPUT
    except Exception as error:  # noqa: BLE001 - the last line of defence: the trace is one variable away
        status = _defect(error)
    return status


def _defect(error: Exception) -> int:
    """A defect of ours: one line for whoever only wants to work, the trace for whoever mends it."""
    if TRACE in os.environ:
        raise error
    click.echo(
        f"trialbed: a defect in trialbed itself: {type(error).__name__}: {error}; {TRACE}=1 shows where", err=True
    )
    return DEFECT


def _fill_closed_streams() -> None:
    """Python has None for a standard stream that was closed before the start; an empty one will do as well."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end


def _drop_output() -> None:
    """Send nowhere what Python would still flush at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
