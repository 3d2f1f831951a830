"""Certificates that nobody vouches for, as controllers and small mail servers have them."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID


@dataclass(frozen=True)
class Certificate:
    """Files of one certificate and its key."""

    pem: Path
    key: Path


def self_signed(folder: Path, name: str, uri: str | None = None, days: int = 30) -> Certificate:
    """Makes a certificate for loopback in `folder`, good for `days`; expired where negative.

    `uri` is the application URI that OPC UA wants in it.
    """
    key = rsa.generate_private_key(65537, 2048)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    names: list[x509.GeneralName] = [
        x509.DNSName("localhost"),
        x509.IPAddress(ipaddress.ip_address("127.0.0.1")),
    ]
    if uri is not None:
        names.insert(0, x509.UniformResourceIdentifier(uri))
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=True,
        data_encipherment=True,
        key_agreement=False,
        key_cert_sign=True,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    both = [ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=60))
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(usage, critical=False)
        .add_extension(x509.ExtendedKeyUsage(both), critical=False)
        .sign(key, hashes.SHA256())
    )
    made = Certificate(folder / f"{name}.pem", folder / f"{name}-key.pem")
    made.pem.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    made.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return made
