"""``python -m overlay`` is the ``timetrue`` command."""

from overlay.cli.main import run

if __name__ == "__main__":
    run()
