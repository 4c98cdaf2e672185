"""Entry point of the ``timetrue`` command: load one subcommand, run it, end with its exit code."""

from __future__ import annotations

import importlib
import json
import os
import signal
import sys
import threading
from collections.abc import Sequence

import click

from overlay.errors import EXIT_DONE, EXIT_INTERRUPTED, TimetrueError

# Small matrices on several threads cost more than they gain, and processes already use the cores;
# the libraries read these once, when numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

COMMANDS = {
    "inspect": "overlay.cli.inspect:inspect",
    "align": "overlay.cli.align:align",
    "correct": "overlay.cli.correct:correct",
    "draw": "overlay.cli.films:draw",
    "pair": "overlay.cli.together:pair",
    "grid": "overlay.cli.together:grid",
    "slow": "overlay.cli.films:slow",
    "still": "overlay.cli.films:still",
    "layer": "overlay.cli.films:layer",
    "tag": "overlay.cli.films:tag",
    "teaser": "overlay.cli.teaser:teaser",
    "join": "overlay.cli.join:join",
    "reel": "overlay.cli.reel:reel",
    "day": "overlay.cli.day:day",
    "desk": "overlay.cli.desk:desk",
    "season": "overlay.cli.season:season",
    "verify": "overlay.cli.verify:verify",
    "gauges": "overlay.cli.gauges:gauges",
    "demo": "overlay.cli.demo:demo",
}

EXIT_CODES = """\b
Exit codes:
  0  done; for verify: no lag of 40 ms or more, proved
  1  an error of the program itself
  2  an option or argument that makes no sense
  3  a file that is missing, empty, cut off or not what it should be
  4  files that are good but do not belong together
  5  the evidence cannot tell, so no number is given; verify: or witnesses disagree
  6  verify: the gauges are late or early beyond doubt
  7  verify: neither proved true nor late beyond doubt
  8  the result cannot be written
  9  the encoder or decoder stopped with an error
  130  interrupted with Ctrl-C; nothing half-made is left"""


class LazyGroup(click.Group):
    """A group that imports a subcommand's module only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a job uses them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one subcommand, or None if there is no such name."""
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command


@click.group(
    cls=LazyGroup,
    epilog=EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="timetrue", message="%(prog)s %(version)s")
def main() -> None:
    """Put true speed, RPM and split gauges on footage of straight-line runs.

    Measures how late the GPS receiver's speed is from the motion in the picture, removes that
    lag, proves that it is gone, and compares builds.
    """


def fail(message: str, exit_code: int, *, as_json: bool = False) -> int:
    """Print one line on standard error, an object on standard output where asked for.

    Gives the exit code back.
    """
    line = " ".join(message.split())
    click.echo(f"timetrue: {line}", err=True)
    if as_json:
        click.echo(json.dumps({"exit_code": exit_code, "error": line}, indent=2))
    return exit_code


def invoke(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return its exit code. No exception leaves, no traceback is printed.

    Set the environment variable ``TIMETRUE_DEBUG`` to see the traceback of an unforeseen error.

    Parameters
    ----------
    arguments : sequence of str, optional
        Arguments after the program name; those of the process by default.
    """
    _heed_interrupts()
    as_json = "--json" in (sys.argv[1:] if arguments is None else arguments)
    try:
        result = main.main(args=arguments, prog_name="timetrue", standalone_mode=False)
        return int(result) if isinstance(result, int) else EXIT_DONE
    except click.exceptions.Exit as error:
        return error.exit_code
    except click.ClickException as error:
        error.show()
        if as_json:
            click.echo(json.dumps({"exit_code": error.exit_code, "error": error.format_message()}))
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        return fail("interrupted; nothing half-made is left", EXIT_INTERRUPTED, as_json=as_json)
    except TimetrueError as error:
        return fail(str(error), error.exit_code, as_json=as_json)
    except BrokenPipeError:
        sys.stderr.close()
        return EXIT_DONE
    except Exception as error:
        if os.environ.get("TIMETRUE_DEBUG"):
            raise
        return fail(
            f"unforeseen error ({type(error).__name__}: {error}); "
            "set TIMETRUE_DEBUG=1 to see where, and please report it",
            TimetrueError.exit_code,
            as_json=as_json,
        )


def _heed_interrupts() -> None:
    """Take Ctrl-C also where the shell started this process with it ignored, as for jobs with &."""
    ignored = signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    if ignored and threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.default_int_handler)


def run() -> None:
    """Run as a process."""
    sys.exit(invoke())
