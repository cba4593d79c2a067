"""Authorities of our own for the tests: a certificate authority and a time-stamp authority, by certomancer over loopback.

What they are called is invented. They keep a clock of their own, so that a year can be any year.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from certomancer.integrations.animator import Animator, AnimatorArchStore
from certomancer.registry import ArchLabel, CertLabel, CertomancerConfig, ServiceLabel
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
    pkcs12,
)

from schemas.shop import SignatureSettings
from tests.report.made import PASSPHRASE

ARCH = ArchLabel("eastfold")

_CONFIG = """
external-url-prefix: "http://127.0.0.1:{port}"
keysets:
  all:
    path-prefix: keys
    keys:
      root: {{path: root.pem}}
      between: {{path: between.pem}}
      ida: {{path: ida.pem}}
      rsa: {{path: rsa.pem}}
      revoked: {{path: revoked.pem}}
      time-root: {{path: time-root.pem}}
      tsa: {{path: tsa.pem}}
      next-tsa: {{path: next-tsa.pem}}
pki-architectures:
  eastfold:
    keyset: all
    entity-defaults: {{country-name: XX}}
    entities:
      root: {{common-name: Eastfold Signing Root, organization-name: Eastfold Trust}}
      between: {{common-name: Eastfold Signing Authority, organization-name: Eastfold Trust}}
      ida: {{common-name: Ida Brandt, organization-name: Marlowe Lane Powder Works}}
      rsa: {{common-name: Tomasz Żółkiewski, organization-name: Marlowe Lane Powder Works}}
      revoked: {{common-name: Una Gone, organization-name: Marlowe Lane Powder Works}}
      time-root: {{common-name: Northaven Time Root, organization-name: Northaven Time}}
      tsa: {{common-name: Northaven Time Stamps, organization-name: Northaven Time}}
      next-tsa: {{common-name: Northaven Time Stamps 2, organization-name: Northaven Time}}
    certs:
      root:
        subject: root
        issuer: root
        validity: {{valid-from: "2020-01-01T00:00:00+0000", valid-to: "2060-01-01T00:00:00+0000"}}
        profiles: [{{id: simple-ca, params: {{crl-repo: root}}}}]
      between:
        issuer: root
        validity: {{valid-from: "2020-01-01T00:00:00+0000", valid-to: "2050-01-01T00:00:00+0000"}}
        profiles: [{{id: simple-ca, params: {{crl-repo: between, max-path-len: 0}}}}]
      ida:
        issuer: between
        validity: {{valid-from: "2025-01-01T00:00:00+0000", valid-to: "2028-01-01T00:00:00+0000"}}
        profiles: [{{id: digsig-commitment}}]
      rsa:
        issuer: between
        validity: {{valid-from: "2025-01-01T00:00:00+0000", valid-to: "2028-01-01T00:00:00+0000"}}
        profiles: [{{id: digsig-commitment}}]
      revoked:
        issuer: between
        validity: {{valid-from: "2025-01-01T00:00:00+0000", valid-to: "2028-01-01T00:00:00+0000"}}
        profiles: [{{id: digsig-commitment}}]
        revocation: {{revoked-since: "2026-01-15T00:00:00+0000", reason: key_compromise}}
      time-root:
        subject: time-root
        issuer: time-root
        validity: {{valid-from: "2020-01-01T00:00:00+0000", valid-to: "2060-01-01T00:00:00+0000"}}
        profiles: [{{id: simple-ca, params: {{crl-repo: time-root}}}}]
      tsa:
        issuer: time-root
        validity: {{valid-from: "2020-01-01T00:00:00+0000", valid-to: "2036-01-01T00:00:00+0000"}}
        extensions:
          - {{id: key_usage, critical: true, smart-value: {{schema: key-usage, params: [digital_signature]}}}}
          - {{id: extended_key_usage, critical: true, value: [time_stamping]}}
      next-tsa:
        issuer: time-root
        validity: {{valid-from: "2033-01-01T00:00:00+0000", valid-to: "2048-01-01T00:00:00+0000"}}
        extensions:
          - {{id: key_usage, critical: true, smart-value: {{schema: key-usage, params: [digital_signature]}}}}
          - {{id: extended_key_usage, critical: true, value: [time_stamping]}}
    services:
      crl-repo:
        root: {{for-issuer: root, simulated-update-schedule: "P30D"}}
        between: {{for-issuer: between, simulated-update-schedule: "P30D"}}
        time-root: {{for-issuer: time-root, simulated-update-schedule: "P30D"}}
      time-stamping:
        tsa: {{signing-key: tsa, signing-cert: tsa}}
        next-tsa: {{signing-key: next-tsa, signing-cert: next-tsa}}
"""


@cache
def _keys() -> Path:
    folder = Path(mkdtemp(prefix="filmtally-authorities-"))
    (folder / "keys").mkdir()
    for name in ("root", "between", "ida", "revoked", "time-root", "tsa", "next-tsa"):
        _write(folder, name, ec.generate_private_key(ec.SECP256R1()))
    _write(folder, "rsa", rsa.generate_private_key(65537, 2048))
    return folder


def _write(folder: Path, name: str, key: Any) -> None:
    content = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (folder / "keys" / f"{name}.pem").write_bytes(content)


class _Quiet(WSGIRequestHandler):
    def log_message(self, *_: Any) -> None:
        """Keep requests out of the test's output."""


@dataclass
class Authorities:
    """The authorities, while they answer."""

    port: int
    arch: Any
    animator: Any

    @contextmanager
    def in_the_year(self, at: datetime) -> Iterator[None]:
        """Let their clocks stand at *at* for a while."""
        before, self.animator.fixed_time = self.animator.fixed_time, at
        try:
            yield
        finally:
            self.animator.fixed_time = before

    @property
    def tsa_url(self) -> str:
        """Return where time stamps are asked for."""
        return self.tsa_url_of("tsa")

    def tsa_url_of(self, name: str) -> str:
        """Return where the time stamps of one authority are asked for."""
        return f"http://127.0.0.1:{self.port}/{ARCH}/tsa/{name}"

    def certificate(self, name: str) -> bytes:
        """Return a certificate (DER)."""
        return bytes(self.arch.get_cert(CertLabel(name)).dump())

    def pem(self, *names: str) -> bytes:
        """Return certificates as one PEM bundle."""
        found = (x509.load_der_x509_certificate(self.certificate(n)) for n in names)
        return b"".join(c.public_bytes(Encoding.PEM) for c in found)

    def crl(self, issuer: str, at: datetime) -> bytes:
        """Return an authority's revocation list (DER) as of *at*."""
        return bytes(self.arch.service_registry.get_crl(ServiceLabel(issuer), at).dump())

    def pkcs12(self, name: str) -> bytes:
        """Return a signer's key with certificate and chain."""
        key: Any = load_pem_private_key((_keys() / "keys" / f"{name}.pem").read_bytes(), None)
        ours, *chain = (x509.load_der_x509_certificate(self.certificate(n)) for n in (name, "between", "root"))
        lock = BestAvailableEncryption(PASSPHRASE.encode())
        return pkcs12.serialize_key_and_certificates(b"x", key, ours, chain, lock)


@contextmanager
def authorities(at: datetime | None = None) -> Iterator[Authorities]:
    """Let the authorities answer over loopback, by a clock that stands at *at* or by the machine's."""
    server = make_server("127.0.0.1", 0, lambda *_: [], WSGIServer, _Quiet)
    port = server.server_port
    config = CertomancerConfig.from_yaml(_CONFIG.format(port=port), key_search_dir=str(_keys()))
    arch = config.get_pki_arch(ARCH)
    animator = Animator(AnimatorArchStore({ARCH: arch}), at_time=at, with_web_ui=False)
    server.set_app(animator)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield Authorities(port, arch, animator)
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def settings_in(folder: Path, by: Authorities, at: datetime, level: str, **changes: Any) -> SignatureSettings:
    """Return the settings of a shop that uses the authorities, with their files written into its folder.

    Args:
        folder: The shop folder.
        by: The authorities.
        at: As of when their revocation lists are.
        level: The level that the shop signs at.
        changes: Settings that differ.
    """
    (folder / "trust").mkdir(exist_ok=True)
    (folder / "trust" / "time.pem").write_bytes(by.pem("time-root"))
    (folder / "trust" / "signers.pem").write_bytes(by.pem("root"))
    lists = []
    for issuer in ("root", "between", "time-root"):
        (folder / "trust" / f"{issuer}.crl").write_bytes(by.crl(issuer, at))
        lists.append(f"trust/{issuer}.crl")
    content = {
        "level": level, "tsa_url": by.tsa_url, "tsa_roots": "trust/time.pem", "signer_roots": "trust/signers.pem",
        "revocation": "files", "crl_files": lists,
    }  # fmt: skip
    return SignatureSettings.checked(content | changes, "shop.toml")


def years(count: float) -> timedelta:
    """Return *count* years."""
    return timedelta(days=365.25 * count)
