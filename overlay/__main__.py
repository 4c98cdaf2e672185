"""The ``timetrue`` command, also as ``python -m overlay``."""

import signal


def run() -> None:
    """Run as a process."""
    # Until the command heeds signals itself there is nothing to clean up, and no trace to show.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from overlay.cli.main import run as run_command

    run_command()


if __name__ == "__main__":
    run()
