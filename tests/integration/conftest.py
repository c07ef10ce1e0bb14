"""Certificates made on the spot, with the openssl command."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest


def _openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with ca.pem, other-ca.pem, server.pem/.key for 127.0.0.1, client.pem/.key."""
    folder = tmp_path_factory.mktemp("certificates")
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    for name in ("ca", "other-ca"):
        _openssl(
            folder, "req", "-x509", *curve, "-keyout", f"{name}.key", "-out", f"{name}.pem",
            "-subj", f"/CN={name}", "-days", "2",
            # RFC 5280 wants it of whoever signs, and Python refuses others from 3.13 on.
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )  # fmt: skip
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\n")
    for name in ("server", "client"):
        _openssl(
            folder, "req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr",
            "-subj", f"/CN={name}",
        )  # fmt: skip
        _openssl(
            folder, "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-CAcreateserial", "-out", f"{name}.pem", "-days", "2", "-extfile", "names",
        )  # fmt: skip
    return folder
