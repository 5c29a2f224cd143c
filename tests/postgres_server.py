"""A PostgreSQL server of its own for a test run: temporary folder, local socket, no password."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

USER = "clerk"


def find_program(name: str) -> str | None:
    """Where a program of the server is; Debian keeps them off the search path."""
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(places[-1]) if places else shutil.which(name)


def find_missing() -> str | None:
    """Why no server can be started here; `None` where it can."""
    if find_program("initdb") is None or find_program("pg_ctl") is None:
        return "no PostgreSQL server installed (Debian: apt-get install postgresql)"
    try:
        import psycopg
    except ImportError:
        return "no PostgreSQL driver installed (the extra `postgres`)"
    return None if psycopg.__version__ else "PostgreSQL driver without a version"


class Server:
    """A running server; `control` stops and starts it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # The server refuses to run as root.
        self.account = "postgres" if os.getuid() == 0 else None

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs as its own account."""
        found = find_program(program)
        command = [str(found), *arguments]
        with (self.folder / "commands.log").open("ab") as log:
            subprocess.run(
                command, user=self.account, check=True, cwd="/", stdout=log, stderr=log, timeout=60
            )

    def control(self, action: str, how: str = "fast") -> None:
        """Start or stop; back when it is done. "immediate" is a stop as by a kill."""
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=off"
        self.run(
            *("pg_ctl", action, "-w", "-m", how, "-D", str(self.folder / "data")),
            *("-l", str(self.folder / "server.log"), "-o", options),
        )

    def make_database(self, name: str) -> str:
        """A new database; gives its URL."""
        import psycopg

        with psycopg.connect(
            host=str(self.folder), user=USER, dbname="postgres", autocommit=True
        ) as connection:
            connection.execute(f'CREATE DATABASE "{name}"'.encode())
        return f"postgresql://{USER}@/{name}?host={self.folder}"


@contextlib.contextmanager
def run_server() -> Iterator[Server]:
    """A server that is gone with its files at the end."""
    folder = Path(tempfile.mkdtemp(prefix="vc-pg-"))
    server = Server(folder)
    try:
        folder.chmod(0o755)
        if server.account:
            shutil.chown(folder, server.account)
        server.run(
            *("initdb", "-D", str(folder / "data"), "-U", USER, "-A", "trust"),
            *("-E", "UTF8", "--locale=C", "--no-sync"),
        )
        server.control("start")
        try:
            yield server
        finally:
            server.control("stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
