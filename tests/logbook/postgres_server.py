"""A PostgreSQL of a test's own, with TLS and passwords, that may be killed."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import sqlalchemy as sa


@dataclass(frozen=True)
class Server:
    """Where it lies, on which port it listens, and its programs."""

    folder: Path
    port: int
    programs: Path

    @property
    def keeper(self) -> str:
        """The URL of the server's own user, through a socket beside its files, which needs no password."""
        return f"postgresql+psycopg://postgres@/postgres?host={self.folder}&port={self.port}"

    def address(self, login: str, **told: str) -> str:
        """The URL of a login over the network."""
        url = sa.URL.create("postgresql", login, None, "localhost", self.port, "postgres", told)
        return url.render_as_string(False)

    @property
    def certificate(self) -> Path:
        return self.folder / "server.crt"

    def start(self) -> None:
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=localhost -c fsync=off -c ssl=on"
        files = f"-c ssl_cert_file={self.certificate} -c ssl_key_file={self.folder}/server.key"
        self._control("-w", "-l", f"{self.folder}/log", "-o", f"{options} {files}", "start")

    def kill(self) -> None:
        """Stop it as if its power went: no connection is told, nothing is written any more."""
        self._control("-m", "immediate", "stop")

    def _control(self, *words: str) -> None:
        as_its_user([str(self.programs / "pg_ctl"), "-D", f"{self.folder}/db", *words])


def as_its_user(command: list[str]) -> None:
    """PostgreSQL does not run as root."""
    as_postgres = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    subprocess.run([*as_postgres, *command], check=True, stdout=subprocess.DEVNULL, cwd="/")


@contextmanager
def own_server() -> Iterator[Server]:
    """A new server, running; logins from the network need TLS and a password."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found or shutil.which("openssl") is None:
        pytest.skip("needs the programs of a PostgreSQL server, and openssl")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    server = Server(folder, port, found[-1].parent)
    try:
        named = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
        files = ["-keyout", folder / "server.key", "-out", server.certificate]
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *named, *files],
            check=True,
            capture_output=True,
        )
        folder.chmod(0o755)
        if os.geteuid() == 0:
            for path in (folder, folder / "server.key"):
                shutil.chown(path, "postgres")
        as_its_user([str(found[-1]), "-D", f"{folder}/db", "-A", "trust", "--no-sync"])
        rules = "local all all trust\nhostssl all all all scram-sha-256\n"
        (folder / "db" / "pg_hba.conf").write_text(rules)
        server.start()
        yield server
    finally:
        if (folder / "db" / "postmaster.pid").exists():
            server.kill()
        shutil.rmtree(folder, ignore_errors=True)
