"""A mirror over TLS: its certificate is looked at, and one that nobody vouches for gets neither points nor token."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from monitor.mirror.sending import Away
from monitor.mirror.server import Server
from tests.mirror.servers import TOKEN, stand_in

# Name of the file -> what it says it was made for; the stand-in answers at 127.0.0.1.
MADE_FOR = {"own": "IP:127.0.0.1", "stranger": "IP:127.0.0.1", "elsewhere": "DNS:mirror.example"}


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Each its own authority: ours, a stranger's for the same address, and one of ours for another name."""
    folder = tmp_path_factory.mktemp("certificates")
    for name, made_for in MADE_FOR.items():
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
             "-subj", f"/CN=Quillmarsh {name}", "-addext", f"subjectAltName={made_for}", "-keyout", f"{name}.key",
             "-out", f"{name}.pem"],
            cwd=folder, check=True, capture_output=True,
        )  # fmt: skip
    return folder


def test_a_certificate_that_ca_file_vouches_for_is_trusted(certificates: Path) -> None:
    """So that the refusals below are for the certificate, and not for the stand-in."""
    own = certificates / "own.pem"
    with stand_in(certificate=own) as other:
        server = Server(other.url, TOKEN, "quillmarsh", "emberpail", own)
        server.write(["m a=1.0 1"])
        server.close()
        assert other.took == ["m a=1.0 1"]


@pytest.mark.parametrize(
    ("shown", "trusted"),
    [("stranger", None), ("stranger", "own"), ("elsewhere", "elsewhere")],
    ids=["nobody-vouches", "another-authority", "made-for-another-name"],
)
def test_a_strangers_certificate_gets_nothing(certificates: Path, shown: str, trusted: str | None) -> None:
    """Whoever stands between us and the mirror can show a certificate, too: the token must not reach them."""
    ca_file = None if trusted is None else certificates / f"{trusted}.pem"
    with stand_in(certificate=certificates / f"{shown}.pem") as other:
        server = Server(other.url, TOKEN, "quillmarsh", "emberpail", ca_file)
        with pytest.raises(Away, match="its certificate is not trusted"):
            server.write(["m a=1.0 1"])
        server.close()
        assert other.heads == [] and other.requests == []
