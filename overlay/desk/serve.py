"""Start the desk: a socket on loopback, a key made for this start, the server."""

from __future__ import annotations

import secrets
import socket
import sys
import webbrowser
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.desk.seen import Seen
from overlay.errors import InputError, OutputError
from overlay.files import made_folder

if TYPE_CHECKING:
    from overlay.desk.folder import Desk

HOST = "127.0.0.1"
USUAL_PORT = 7043  # drafts that a browser keeps are found again under the same one
SHUT_S = 1
SWITCH_S = 5e-4  # a tenth of the usual: libraries being read do not hold up what is asked
DEMO = "timetrue-demo"  # as 'timetrue demo' calls it


def serve(
    folder: Path | None,
    *,
    port: int | None = None,
    is_opened: bool = True,
    say: Callable[[str], None],
) -> None:
    """Serve the desk of a folder until Ctrl-C.

    Parameters
    ----------
    folder : Path or None
        None: the demo day, filmed into `DEMO` where it is not there, as a tour.
    port : int, optional
        The usual one, or any that is free, when None.
    is_opened : bool
        Whether to open the address in the browser.
    say : callable
        Told the address, which holds the key; it is in no log.

    Raises
    ------
    InputError
        If there is no such folder.
    OutputError
        If the port is taken.
    """
    is_tour = folder is None
    folder = _folder(folder)
    listener = _listener(port)
    token = secrets.token_urlsafe(32)
    address = f"http://{HOST}:{listener.getsockname()[1]}/?token={token}"
    say(f"the desk of {folder.resolve()} is at {address}")
    say("it answers this machine only; Ctrl-C ends it")
    if is_opened:
        webbrowser.open(address)
    _run(folder, is_tour, listener, token)


def _folder(named: Path | None) -> Path:
    """The folder, made where it is the tour's."""
    folder = Path(DEMO) if named is None else named
    if named is None:
        made_folder(folder)
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; name the one with the day's clips and logs")
    return folder


def _run(folder: Path, is_tour: bool, listener: socket.socket, token: str) -> None:
    """Answer until Ctrl-C."""
    # Most of the start is reading the libraries: of what reads the files, in its own process, and
    # of what answers, while the page goes out.
    sys.setswitchinterval(SWITCH_S)
    apart_key = secrets.token_urlsafe(32)
    seen = Seen(folder)
    with suppress(InputError):  # which the page is told when it asks
        seen.now()

    def made() -> Desk:
        from overlay.desk.folder import Desk

        return Desk(folder, seen, is_tour=is_tour, apart_key=apart_key)

    import uvicorn

    from overlay.desk.app import application

    desk = ThreadPoolExecutor(1).submit(made)
    port = listener.getsockname()[1]
    server = uvicorn.Server(
        uvicorn.Config(
            application(desk.result, token=token, apart_key=apart_key, port=port),
            log_level="warning",
            access_log=False,  # it would hold the key
            server_header=False,
            timeout_graceful_shutdown=SHUT_S,
            ws="none",
        )
    )
    try:
        server.run(sockets=[listener])
    except KeyboardInterrupt:
        pass  # the way to end it
    finally:
        desk.result().close()


def _listener(port: int | None) -> socket.socket:
    """A socket on the port; on a free one where none is named and the usual one is taken."""
    for wanted in (USUAL_PORT, 0) if port is None else (port,):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((HOST, wanted))
            found.listen()  # so that the browser waits for the server and is not turned away
            return found
        except OSError as error:
            found.close()
            if wanted == port:
                raise OutputError(f"port {port}: {error.strerror}; name another") from error
    raise OutputError("no port is free on this machine; close some programs")
