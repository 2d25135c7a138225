"""A real PostgreSQL on loopback, with a data folder of its own.

PostgreSQL refuses to run as root; then it runs as ``nobody``.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from programs import program
from real_process import free_port
from waiting import wait_for


class Postgres:
    """One server; ``url("name")`` is the ledger's URL of a new database."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="contactd-postgres-"))
        self.port = free_port()
        self.user = "watch"
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            nobody = pwd.getpwnam("nobody")
            os.chown(self.folder, nobody.pw_uid, nobody.pw_gid)
            self._as = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
        self.data = self.folder / "data"
        self.process: subprocess.Popen[bytes] | None = None
        self._run(
            [program("initdb"), "-D", self.data, "-U", self.user, "-A", "trust", "-E", "UTF8",
             "--locale=C", "--no-sync"]
        )  # fmt: skip

    def _run(self, command: list[object]) -> None:
        made = subprocess.run(
            [str(each) for each in command],
            capture_output=True,
            text=True,
            cwd=self.folder,
            **self._as,
        )
        assert made.returncode == 0, made.stdout + made.stderr

    def start(self) -> None:
        """Start it and wait until it answers."""
        command = [
            program("postgres"), "-D", self.data, "-h", "127.0.0.1", "-p", self.port,
            "-k", self.folder, "-c", "max_connections=60", "-c", "fsync=off",
            "-c", "log_min_messages=fatal",
        ]  # fmt: skip
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [str(each) for each in command],
                stdout=log,
                stderr=log,
                cwd=self.folder,
                **self._as,
            )
        wait_for(self._answers, "PostgreSQL to answer", patience_s=60)

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "log").read_text()
        engine = self.engine("postgres")
        try:
            with engine.connect():
                return True
        except sa.exc.OperationalError:
            return False
        finally:
            engine.dispose()

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Stop it: SIGINT closes all connections, SIGQUIT pulls the plug."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(30)
            self.process = None

    def remove(self) -> None:
        """Stop it and delete everything."""
        self.stop()
        shutil.rmtree(self.folder)

    def engine(self, name: str) -> sa.Engine:
        """An engine of its own for a database."""
        url = f"postgresql+psycopg://{self.user}@127.0.0.1:{self.port}/{name}"
        return sa.create_engine(url, isolation_level="AUTOCOMMIT")

    def url(self, name: str) -> str:
        """The ledger's URL of a new, empty database."""
        engine = self.engine("postgres")
        with engine.connect() as connection:
            connection.execute(sa.text(f'CREATE DATABASE "{name}"'))
        engine.dispose()
        return f"postgresql://{self.user}@127.0.0.1:{self.port}/{name}"
