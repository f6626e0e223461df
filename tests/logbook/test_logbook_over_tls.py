"""A logbook over the network: TLS and password file as its address says, and no password in what is printed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.cli.conftest import call
from tests.logbook.postgres_server import own_server

PASSWORD = "s3cret-of-anna"


@pytest.mark.slow
def test_the_address_asks_for_tls_and_names_a_password_file_as_postgresql_has_it(
    tmp_path: Path, book: RunBook
) -> None:
    with own_server() as server:
        made = call("logbook", "create", "--venue", "harbour", "--logbook", server.keeper)
        assert made.code == 0 and "harbour: owner, barista and reader" in made.out
        keeper = sa.create_engine(server.keeper)
        with keeper.begin() as connection:
            connection.exec_driver_sql(f"create role anna login password '{PASSWORD}'")
        let = ("logbook", "person", "anna", "--venue", "harbour", "--logbook", server.keeper, "--as")
        assert call(*let, "barista").code == 0
        passfile = tmp_path / "passes"
        passfile.write_text(f"localhost:{server.port}:postgres:anna:{PASSWORD}\n")
        passfile.chmod(0o600)
        tls = {"sslmode": "verify-full", "sslrootcert": str(server.certificate)}
        whole = server.address("anna", **tls, passfile=str(passfile))
        with open_logbook(whole) as logbook:
            logbook.add(book, "bar", "folder")
            with logbook._engine.connect() as connection:
                ssl = sa.text("select ssl from pg_stat_ssl where pid = pg_backend_pid()")
                assert connection.scalar(ssl) is True
        command = [sys.executable, "-m", "rig.cli", "runs", "--logbook", whole, "--json"]
        assert '"r1"' in subprocess.run(command, check=True, capture_output=True, text=True).stdout
        nothing = str(tmp_path / "none")
        for told, words in (
            ({**tls, "passfile": nothing}, "the user or password is refused"),
            ({**tls, "passfile": nothing, "password": "s3cret-wrong"}, "the user or password is refused"),
            (
                {"sslmode": "disable", "passfile": str(passfile)},
                "the server lets nobody in from here in this way",
            ),
            (
                {"sslmode": "verify-full", "sslrootcert": nothing, "passfile": str(passfile)},
                "the server's certificate is not one that this computer trusts",
            ),
        ):
            with pytest.raises(LogbookError, match=words) as caught:
                open_logbook(server.address("anna", **told))
            assert "s3cret" not in str(caught.value)
            said = call("runs", "--logbook", server.address("anna", **told))
            assert said.code == 1 and words in said.err and "s3cret" not in said.out + said.err
        assert call(*let, "nobody").code == 0
        assert "may not do that here" in call("runs", "--logbook", whole).err
        keeper.dispose()
