"""Running the server: the address with its token, the worker beside it, the browser."""

from __future__ import annotations

import ipaddress
import os
import socket
import subprocess
import sys
import threading
import webbrowser
from urllib.parse import quote

import uvicorn

from voiceover.errors import OptionError
from voiceover.review_app.security import Gate
from voiceover.review_app.server import make_app
from voiceover.store.jobs import is_work_waiting
from voiceover.store.library import Library

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
SHORTEST_PASSWORD = 8
# How often is looked whether there is work and a worker for it, seconds.
LOOK_S = 0.5


def serve(library: Library, *, host: str = "127.0.0.1", port: int = 0, password: str = "", open_browser: bool = True) -> None:
    """Serve a library until Ctrl-C.

    Args:
        host: address to listen on; anything but this machine needs a password.
        port: 0 for any free one.
        open_browser: open the start page.
    Raises:
        OptionError: a host beyond this machine without a good password, or a port that is taken.
    """
    gate = gate_for(host, password)
    app = make_app(library, gate)
    listener = _listen(host, port)
    port = listener.getsockname()[1]
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/" + ("" if gate.password else f"?token={quote(gate.token)}")
    print(f"Voiceover is at {address}", flush=True)
    print(f"Library: {library.folder}. Ctrl-C ends it.", flush=True)
    if gate.password:
        print("Warning: it listens beyond this machine, without encryption; whoever reads the network can read along.", file=sys.stderr)
    with Worker(library):
        if open_browser:
            threading.Timer(0.5, webbrowser.open, [address]).start()
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, server_header=False))
        server.run(sockets=[listener])


def gate_for(host: str, password: str) -> Gate:
    """Who may enter when the server listens on a host.

    Raises:
        OptionError: a host beyond this machine without a good password.
    """
    if is_loopback(host):
        return Gate(LOOPBACK_NAMES | {host.lower()})
    if len(password) < SHORTEST_PASSWORD:
        raise OptionError(
            f"--host {host}: others on the network could reach it; add --password with {SHORTEST_PASSWORD} characters or more"
        )
    # Its addresses on the network need no naming here: a request says itself to which of them it came.
    return Gate(LOOPBACK_NAMES | {host.lower(), socket.gethostname().lower()}, password=password)


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches an address."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as error:
        raise OptionError(f"--port {port}: cannot be listened on ({error.strerror}); leave it out for a free one") from error


class Worker:
    """Keeps a worker process alive while there is work; its death costs one job's last minute."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._stop = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._watch, daemon=True)

    @property
    def pid(self) -> int | None:
        """Of the process, where one runs."""
        return self._process.pid if self._process is not None and self._process.poll() is None else None

    def __enter__(self) -> Worker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(10)

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_S):
            if self.pid is None and is_work_waiting(self._library):
                command = [sys.executable, "-m", "voiceover.store.worker", str(self._library.folder)]
                self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, env=os.environ.copy())
