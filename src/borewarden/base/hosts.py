"""Names and addresses of computers."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether `host` is this very computer, so that nothing goes over a network."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def is_wildcard(host: str) -> bool:
    """Whether `host` stands for every address of this computer, as 0.0.0.0 does."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_unspecified
    except ValueError:
        return False


def without_port(host: str) -> str:
    """The name or address of a `Host` header, in small letters, without brackets."""
    if host.startswith("["):
        return host[1:].partition("]")[0].lower()
    return host.partition(":")[0].lower()
