"""Processes of `stillair` that need not load its libraries first: most of a start's work.

A start loads some 700 modules, a second of a core; a check has hundreds of starts. So one
process of ours loads them once, and has a child for each start: the child is a process of
its own, given its own words, environment, folder and files, and runs as `python -c` would.
What has to happen before our own modules are loaded is begun from libraries alone.

warm_start(["-c", code, "run"], ...)   like `subprocess.Popen`, as far as tests use it
warm_run(["-c", code, "run"], ...)     like `subprocess.run`
"""

from __future__ import annotations

import atexit
import ctypes
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO

SUBREAPER = 36  # PR_SET_CHILD_SUBREAPER
EVERY_S = 0.01
# Those too that a service loads only when it needs them, and each new one does.
LIBRARIES = (
    "alembic.command, alembic.config, apscheduler.schedulers.background, "
    "apscheduler.triggers.cron, argon2, argparse, asyncio, concurrent.futures.thread, "
    "cryptography.hazmat.primitives.ciphers.aead, cryptography.x509, cv2, encodings.ascii, "
    "fastapi.openapi.models, itsdangerous, json, logging.config, numpy.ma, numpy.random, requests, "
    "sqlalchemy.orm, sqlite3, sqlmodel, typer, uvicorn.lifespan.off, "
    "uvicorn.protocols.http.h11_impl"
)
OURS = (
    f"{LIBRARIES}, stillair.api.serving, stillair.cli, stillair.runtime.service, "
    "stillair.api.hall_serving, stillair.hall.taking, stillair.storage.hall_history"
)

# Runs in the process that is warm. Only the child gets past the loop, and goes on like any
# program does, so that its end is an ordinary one too.
_WARM = """
import array, gc, json, os, signal, socket, sys, time
door = socket.socket(fileno=int(sys.argv[1]))
import {modules}
gc.collect()
gc.freeze()
while True:
    said, files, _, _ = socket.recv_fds(door, 1 << 20, 3)
    if not said:
        os._exit(0)
    back, forth = os.pipe()
    between = os.fork()
    if between == 0:
        own = os.fork()
        if own:
            os.write(forth, str(own).encode())
            os._exit(0)
        break
    os.close(forth)
    os.waitpid(between, 0)
    door.send(os.read(back, 20))
    for number in (back, *files):
        os.close(number)
order = json.loads(said)
for number, file in enumerate(files):
    os.dup2(file, number)
for number in (back, forth, *files):
    os.close(number)
door.close()
os.environ.clear()
os.environ.update(order["environment"])
time.tzset()
os.chdir(order["folder"])
sys.argv = ["-c", *order["words"]]
del door, said, files, back, forth, between, own, number, file
exec(order["code"], {{"__name__": "__main__", "__builtins__": __builtins__}})
"""


@cache
def _warm(modules: str) -> socket.socket:
    """Where orders go to a process that has loaded these modules; it ends with this one."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        process = subprocess.Popen(
            [sys.executable, "-c", _WARM.format(modules=modules), str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
        )

    def end() -> None:
        ours.close()
        process.wait(10.0)

    atexit.register(end)
    return ours


@contextmanager
def _ours_to_wait_for() -> Iterator[None]:
    """Meanwhile what a child leaves behind becomes a child of this process, and not of the first.

    Only meanwhile: whatever else is left behind by tests, nobody here would wait for.
    """
    prctl = ctypes.CDLL(None).prctl
    prctl(SUBREAPER, 1, 0, 0, 0)
    try:
        yield
    finally:
        prctl(SUBREAPER, 0, 0, 0, 0)


class WarmProcess:
    """A process that was started warm."""

    def __init__(self, line: list[str], pid: int) -> None:
        self.line = line
        self.pid = pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """Its exit status once it has ended; minus the signal that ended it."""
        if self.returncode is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            if ended:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self, timeout_s: float) -> int:
        """Its exit status; raises `subprocess.TimeoutExpired` where it takes longer."""
        give_up_s = time.monotonic() + timeout_s
        while (status := self.poll()) is None:
            if time.monotonic() > give_up_s:
                raise subprocess.TimeoutExpired(self.line, timeout_s)
            time.sleep(EVERY_S)
        return status

    def send_signal(self, number: int) -> None:
        """Harmless once it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def warm_start(
    line: list[str],
    *,
    stdin: IO[bytes],
    stdout: IO[bytes],
    stderr: IO[bytes],
    environment: dict[str, str] | None = None,
    ours: bool = True,
) -> WarmProcess:
    """Start `line`, a command of this interpreter's with -c.

    Without `ours` nothing of our own is loaded when its code begins.
    """
    python, option, code, *words = line
    assert (python, option) == (sys.executable, "-c"), line
    door = _warm(OURS if ours else LIBRARIES)
    order = {
        "code": code,
        "words": words,
        "environment": dict(os.environ) if environment is None else environment,
        "folder": str(Path.cwd()),
    }
    files = [stdin.fileno(), stdout.fileno(), stderr.fileno()]
    with _ours_to_wait_for():
        socket.send_fds(door, [json.dumps(order).encode()], files)
        return WarmProcess(line, int(door.recv(20)))


def warm_run(
    line: list[str], *, typed: str = "", timeout_s: float = 60.0
) -> subprocess.CompletedProcess[str]:
    """Start `line` and wait for its end: what it wrote, and its status."""
    with (
        tempfile.TemporaryFile() as stdin,
        tempfile.TemporaryFile() as stdout,
        tempfile.TemporaryFile() as stderr,
    ):
        stdin.write(typed.encode())
        stdin.seek(0)
        process = warm_start(line, stdin=stdin, stdout=stdout, stderr=stderr)
        try:
            status = process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10.0)
            raise
        stdout.seek(0)
        stderr.seek(0)
        return subprocess.CompletedProcess(
            line, status, stdout.read().decode(), stderr.read().decode()
        )
