"""Entry point of the ``timetrue`` command: load one subcommand, run it, end with its exit code."""

from __future__ import annotations

import atexit
import importlib
import json
import os
import re
import signal
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress

import click

from overlay.cli.shared import say
from overlay.errors import EXIT_DONE, EXIT_INTERRUPTED, EXIT_TERMINATED, TimetrueError, UsageError
from overlay.system import heed_signals_always

# Small matrices on several threads cost more than they gain, and processes already use the cores;
# the libraries read these once, when numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Longer than a file's name can be: a message shows its two ends.
LONG_WORD = re.compile(r"(\S{60})\S{196,}(\S{60})")
# The module of each, and its line in the help, in the order in which a job uses them.
COMMANDS = {
    "inspect": ("measure", "Show the facts of any clip or log, and what a clip is good for."),
    "align": ("measure", "Measure how late a log is against a clip, or another log."),
    "readout": ("measure", "Read a speed burnt into the picture back as a log."),
    "correct": ("measure", "Write the corrected speed as CSV or GPX."),
    "draw": ("films", "Draw true gauges on a clip."),
    "pair": ("together", "Set two runs side by side from the same launch."),
    "grid": ("together", "Set two to four runs in one picture from the same launch."),
    "slow": ("films", "Draw a clip with a section in slow motion that stays true."),
    "still": ("films", "Write the picture of one instant with its gauges."),
    "layer": ("films", "Write the gauges alone, with transparency, for an editor."),
    "tag": ("films", "Add chapter marks and timed text without encoding again."),
    "teaser": ("clips", "Write part of a clip as a GIF or WebP."),
    "join": ("clips", "Make one clip of a recording in several files."),
    "reel": ("clips", "Put cards and finished clips together as one film."),
    "day": ("day", "Work through a whole day's runs from one sheet."),
    "desk": ("desk", "Open pages in the browser for a whole day's job."),
    "season": ("season", "Compare builds over several days' sheets."),
    "next": ("next", "Say what to fit next, from the runs already driven."),
    "verify": ("measure", "Prove that no lag is left in a finished clip."),
    "gauges": ("demo", "Draw a sheet of every gauge in every state."),
    "demo": ("demo", "Do the whole job on a simulated day with known truth."),
}

EXIT_CODES = """\b
Exit codes:
  0  done; for verify: no lag of 40 ms or more, proved
  1  an error of the program itself
  2  an option or argument that makes no sense
  3  a file that is missing, empty, cut off or not what it should be
  4  files that are good but do not belong together
  5  the evidence does not decide, so no number is given; verify: or witnesses disagree
  6  verify: the gauges are late or early beyond doubt
  7  verify: neither proved true nor late beyond doubt
  8  the result cannot be written
  9  the encoder or decoder stopped with an error
  130  interrupted with Ctrl-C; nothing half-made is left
  143  ended by request (SIGTERM); nothing half-made is left"""


class LazyGroup(click.Group):
    """A group that imports a subcommand's module only when it is asked for, help aside."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a job uses them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one subcommand, or None if there is no such name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"overlay.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The subcommands in the help."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in COMMANDS.items()])


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
    line = LONG_WORD.sub(r"\1…\2", " ".join(message.split()))
    say(f"timetrue: {line}")
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
    _heed_signals()
    as_json = "--json" in (sys.argv[1:] if arguments is None else arguments)
    try:
        result = main.main(args=arguments, prog_name="timetrue", standalone_mode=False)
        return int(result) if isinstance(result, int) else EXIT_DONE
    except click.exceptions.Exit as error:
        return error.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return error.exit_code
    except click.ClickException as error:
        return fail(_wrong_words(error), UsageError.exit_code, as_json=as_json)
    except (KeyboardInterrupt, click.Abort):
        return fail("interrupted; nothing half-made is left", EXIT_INTERRUPTED, as_json=as_json)
    except _Terminated:
        return fail("ended by request; nothing half-made is left", EXIT_TERMINATED, as_json=as_json)
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


class _Terminated(SystemExit):
    """The process was told to end."""


def _terminated(_signum: int, _frame: object) -> None:
    raise _Terminated(EXIT_TERMINATED)


def _heed_signals() -> None:
    """Clean up when told to end; take Ctrl-C also where it was ignored, as for jobs with &."""
    if threading.current_thread() is not threading.main_thread():
        return
    if signal.getsignal(signal.SIGINT) in (signal.SIG_IGN, signal.SIG_DFL):
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, _terminated)


def _wrong_words(error: click.ClickException) -> str:
    """What is wrong with the options or arguments, and which help tells what is right."""
    context = getattr(error, "ctx", None)
    command = "timetrue" if context is None else context.command_path
    return f"{error.format_message().rstrip('.')}; see {command} --help"


def run() -> None:
    """Run as a process."""
    heed_signals_always()
    code = invoke()
    if code in (EXIT_INTERRUPTED, EXIT_TERMINATED):
        # Whoever told it to end waits: taking the libraries down one by one lasts up to a second.
        atexit._run_exitfuncs()
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)
    sys.exit(code)
