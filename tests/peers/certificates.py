"""Certificates for tests, made with the openssl program: an authority, and what it signs."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Authority"]


def _openssl(*words: str | Path) -> None:
    subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True, timeout=60)


@dataclass(frozen=True, slots=True)
class Authority:
    """An authority whose key is on disk for as long as the test lasts."""

    folder: Path
    name: str = "test authority"

    @property
    def certificate(self) -> Path:
        """Its own certificate."""
        return self.folder / "ca.pem"

    def make(self) -> Authority:
        """Make it."""
        self.folder.mkdir(parents=True, exist_ok=True)
        _openssl(
            *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-days", "2", "-subj", f"/CN={self.name}", "-addext", "keyUsage=critical,keyCertSign"),
            *("-keyout", self.folder / "ca.key", "-out", self.certificate),
        )
        return self

    def sign(self, name: str, alternative: str = "") -> tuple[Path, Path]:
        """A certificate and its key for somebody; ``alternative`` such as ``IP:127.0.0.1``."""
        key, request, signed = (self.folder / f"{name}.{end}" for end in ("key", "csr", "pem"))
        _openssl(
            *("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-subj", f"/CN={name}", "-keyout", key, "-out", request),
        )
        extensions = self.folder / f"{name}.ext"
        extensions.write_text(
            f"subjectAltName={alternative}\n" if alternative else "basicConstraints=CA:FALSE\n"
        )
        _openssl(
            *("x509", "-req", "-in", request, "-CA", self.certificate, "-CAkey", self.folder / "ca.key"),
            *("-CAcreateserial", "-days", "2", "-extfile", extensions, "-out", signed),
        )
        return signed, key
